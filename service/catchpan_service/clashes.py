"""Two writers of one thing: what both began from, what each made of it, and what that does on the ground."""

from collections.abc import Iterator
from typing import Any, Final

import msgspec

from catchpan.contract.problems import Clash, GroundDifference, MemberDifference
from catchpan.contract.profiles import Content
from catchpan.quantities import System
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.si import differences

_ABSENT: Final = object()


def clash_of(base: bytes | None, theirs: bytes, yours: bytes, units: System) -> Clash:
    """What to show who comes second; the bodies are JSON."""
    was, there, sent = (None if one is None else msgspec.json.decode(one) for one in (base, theirs, yours))
    members = [
        MemberDifference(pointer=pointer, base=_at(was, pointer), theirs=_at(there, pointer), yours=_at(sent, pointer))
        for pointer in dict.fromkeys(_differing(there, sent, ""))
    ]
    return Clash(
        base=was, theirs=there, yours=sent, members=members, on_the_ground=_on_the_ground(theirs, yours, units)
    )


def _on_the_ground(theirs: bytes, yours: bytes, units: System) -> list[GroundDifference]:
    """The difference of two contents in the trade's terms; none for anything else."""
    try:
        before, after = (msgspec.json.decode(one, type=Content) for one in (theirs, yours))
        found = differences.changes(before, after, tolerance=0.0, system=units)
    except (msgspec.DecodeError, CalibrationError):
        return []
    return [GroundDifference(what=one.what, theirs=one.before, yours=one.after) for one in found]


def _differing(theirs: Any, yours: Any, pointer: str) -> Iterator[str]:
    """Pointers of the smallest members that differ; a list counts as one."""
    if theirs == yours:
        return
    if isinstance(theirs, dict) and isinstance(yours, dict) and "unit" not in theirs:
        for name in sorted(theirs.keys() | yours.keys()):
            step = name.replace("~", "~0").replace("/", "~1")
            yield from _differing(theirs.get(name, _ABSENT), yours.get(name, _ABSENT), f"{pointer}/{step}")
    else:
        yield pointer


def _at(document: Any, pointer: str) -> Any:
    for step in pointer.split("/")[1:]:
        if not isinstance(document, dict):
            return None
        document = document.get(step.replace("~1", "/").replace("~0", "~"))
    return document
