"""What a fleet consists of: one sheet each, with a column for every member of its wire type.

Members within members and within lists have columns of their own, such as ``gate 1 closed`` and
``tyre 3 pressure [psi]``.
"""

from collections.abc import Iterator
from functools import cache
from typing import Annotated, Any, Final, NamedTuple, get_args, get_origin

import msgspec
from msgspec import Meta

from catchpan.contract.base import Wire
from catchpan.contract.branches import BranchRequest
from catchpan.contract.bulk import BulkCommissioning, BulkMachine, Named
from catchpan.contract.curves import Catch
from catchpan.contract.machine_kinds import MachineKindRequest
from catchpan.contract.materials import MaterialRequest
from catchpan.fleet.leaves import NUMBERS, bare, is_leaf

Path = tuple[str | int, ...]
_SILENT: Final = {"record", "caught"}
"""Members whose name stands in no column: all of their struct does."""


class Caught(Wire, kw_only=True, frozen=True):
    """One catch of a profile, told by name or id."""

    profile: Named
    caught: Catch


class Column(NamedTuple):
    """One column: where its member is in the wire type, what it is called, and what its cells hold."""

    path: Path
    name: str
    kind: Any
    needed: bool

    @property
    def further(self) -> bool:
        """Whether it belongs to the second or a later entry of a list."""
        return any(isinstance(step, int) and step > 0 for step in self.path)


class Sheet(NamedTuple):
    """One file or sheet: its name, the member of a bulk item that a row becomes, and the type of that."""

    name: str
    member: str
    kind: type[Any]
    example: Any

    @property
    def columns(self) -> list[Column]:
        """Every column that it can have, by the order of the members."""
        return _columns_of(self.name)

    @property
    def title(self) -> str:
        """What a person calls it."""
        return self.name.replace("_", " ")


def value_at(value: Any, path: Path) -> Any:
    """The member at a path, None where there is none."""
    for step in path:
        if value is None:
            return None
        value = _inner(value, step)
    return value


def _inner(value: Any, step: str | int) -> Any:
    if isinstance(step, str):
        return getattr(value, step)
    return value[step] if step < len(value) else None


@cache
def _columns_of(name: str) -> list[Column]:
    kind = next(sheet.kind for sheet in SHEETS if sheet.name == name)
    return list(_columns(kind, (), ()))


def _columns(kind: type[Any], path: Path, words: tuple[str, ...]) -> Iterator[Column]:
    for field in msgspec.structs.fields(kind):
        inner = bare(field.type)
        here = (*path, field.name)
        said = words if field.name in _SILENT else (*words, field.name.replace("_", " "))
        if get_origin(inner) is list and not is_leaf(bare(get_args(inner)[0])):
            for index in range(_longest(field.type)):
                one = (*said[:-1], said[-1].removesuffix("s"), str(index + 1))
                yield from _columns(bare(get_args(inner)[0]), (*here, index), one)
        elif is_leaf(inner):
            yield Column(here, " ".join(said), _kind(inner), field.required and len(path) < 2)
        else:
            yield from _columns(inner, here, said)


def _kind(inner: Any) -> Any:
    """The type of a cell; of a list, what its entries are."""
    if get_origin(inner) is list and bare(get_args(inner)[0]) is int:
        return NUMBERS
    return inner


def _longest(hint: Any) -> int:
    """How many entries a list of structs may have."""
    for part in (hint, *get_args(hint)):
        if get_origin(part) is Annotated:
            limits = [mark.max_length for mark in get_args(part)[1:] if isinstance(mark, Meta)]
            if limits and limits[0] is not None:
                return int(limits[0])
    raise TypeError(f"{hint} has no longest length")


def _example(kind: type[Any], **given: Any) -> Any:
    return msgspec.convert(given, kind)


def _quantity(value: float, unit: str) -> dict[str, Any]:
    return {"value": value, "unit": unit}


SHEETS: Final = (
    Sheet(
        "materials", "material", MaterialRequest,
        _example(
            MaterialRequest, name="Hollow Green 24-0-11", maker="invented", bag=_quantity(50, "lb"),
            analysis={"nitrogen": _quantity(24, "%"), "potash": _quantity(11, "%")},
            label_highest_rate=_quantity(4.2, "lb/1000ft2"), note="invented",
        ),
    ),
    Sheet(
        "machine_kinds", "machine_kind", MachineKindRequest,
        _example(MachineKindRequest, name="Ride-on 120", opening_step=_quantity(0.5, "%"), note="invented"),
    ),
    Sheet(
        "branches", "branch", BranchRequest, _example(BranchRequest, name="North yard", tags=["ice"], note="invented")
    ),
    Sheet(
        "machines", "machine", BulkMachine,
        _example(
            BulkMachine, name="AH-07", branch="North yard", machine_kind="Ride-on 120", serial="invented 0107",
            tags=["ice", "lawns"],
        ),
    ),
    Sheet(
        "commissionings", "commissioning", BulkCommissioning,
        _example(
            BulkCommissioning, machine="AH-07",
            record={
                "done": "2026-03-02T09:30:00Z", "by": "R. Example", "note": "invented",
                "gates": [
                    {"side": "left", "closed": 212, "open": 905, "from_below": 540, "from_above": 543},
                    {"side": "right", "closed": 208, "open": 899, "shut": "tight"},
                ],
                "impellers": [{"panel": _quantity(640, "rpm"), "tachometer": _quantity(646, "rpm")}],
                "tyres": [{"where": "rear left", "pressure": _quantity(12, "psi")}],
                "ground_speed": {
                    "distance": _quantity(200, "ft"), "durations": {"values": [38.9, 39.3, 39], "unit": "s"},
                },
            },
        ),
    ),
    Sheet(
        "catches", "", Caught,
        _example(
            Caught, profile="Hollow Green 24-0-11 on Ride-on 120",
            caught={
                "opening": _quantity(20, "%"), "duration": _quantity(60, "s"), "mass": _quantity(1.72, "lb"),
                "note": "invented",
            },
        ),
    ),
)  # fmt: skip
