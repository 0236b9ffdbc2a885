"""What two revisions do differently on the ground, told in the trade's terms."""

from collections.abc import Iterator
from typing import Any

import msgspec
import numpy as np

from catchpan.contract.openings import OpeningAnswer
from catchpan.contract.profiles import Change, Content, Pass, WorkRate
from catchpan.quantities import Flow, Quantity, Ratio, System
from catchpan_service.calibration.curve import FlowCurve, flow
from catchpan_service.si import openings
from catchpan_service.si.curves import received
from catchpan_service.si.profiles import work_request
from catchpan_service.si.telling import Telling

TOLERANCE = 0.05
"""Relative change of a laid rate that does not matter (UMass Amherst, Rotary Spreader Calibration Procedures)."""

_TOLD_APART = {"curve", "calibration", "pan_tests", "work_rates", "passes", "format"}


def changes(before: Content, after: Content, *, tolerance: float, system: System) -> list[Change]:
    """Every change from one content to another: openings first, then passes, then all else that was written down."""
    tell = Telling(system)
    return [
        *_openings(before, after, tolerance, tell),
        *_flows(before, after, tolerance, tell),
        *_passes(before, after, tell),
        *_measurements(before, after),
        *_members(before, after),
    ]


def _openings(before: Content, after: Content, tolerance: float, tell: Telling) -> Iterator[Change]:
    """The opening for each work rate of the later revision; where it is new or gone, that is said."""
    earlier = {one.purpose: one for one in before.work_rates}
    for work in after.work_rates:
        old = earlier.pop(work.purpose, None)
        then = None if old is None else _setting(before, old)
        now = _setting(after, work)
        asked = _asked(after, work, tell)
        moved = _laid_anew(after, then, now)
        told_before = "-" if old is None else _told_setting(then, _asked(before, old, tell), asked)
        if told_before != _told_setting(now, asked, asked):
            yield Change(
                what=f"{work.purpose}: opening for {asked}",
                before=told_before,
                after=_told_setting(now, asked, asked),
                moved=None if moved is None else tell.one(Ratio, moved),
                within_tolerance=None if moved is None else abs(moved) <= tolerance,
            )
    for gone in earlier.values():
        told = _told_setting(_setting(before, gone), _asked(before, gone, tell), "")
        yield Change(what=f"{gone.purpose}: work rate", before=told, after="-", moved=None, within_tolerance=None)


def _setting(content: Content, work: WorkRate) -> OpeningAnswer | None:
    if content.curve is None:
        return None
    driven = next(one for one in content.passes if one.name == work.pass_name)
    return openings.solve(work_request(content, work, driven), "si")


def _asked(content: Content, work: WorkRate, tell: Telling) -> str:
    driven = next(one for one in content.passes if one.name == work.pass_name)
    return f"{_told(work.rate, tell)} at {_told(work.speed, tell)} on {_told(driven.width, tell)}"


def _told_setting(setting: OpeningAnswer | None, asked: str, known: str) -> str:
    """An opening, with what it is for where that is not said already."""
    opening = "no opening" if setting is None or setting.opening is None else f"{setting.opening.value:.1f} %"
    return opening if asked == known else f"{opening} for {asked}"


def _laid_anew(after: Content, then: OpeningAnswer | None, now: OpeningAnswer | None) -> float | None:
    """By how much the earlier opening, left as it was, would now lay more or less than is wanted; relative."""
    if then is None or then.opening is None or now is None or after.curve is None:
        return None
    laid = float(flow(received(after.curve), then.opening.si))
    return laid / now.flow.si - 1 if np.isfinite(laid) else None


def _relative(before: FlowCurve, after: FlowCurve, opening: float) -> float | None:
    old, new = float(flow(before, opening)), float(flow(after, opening))
    return new / old - 1 if old > 0 and np.isfinite(new) else None


def _flows(before: Content, after: Content, tolerance: float, tell: Telling) -> Iterator[Change]:
    """The flow at the ends and the middle of the later catches."""
    if before.curve is None or after.curve is None:
        if before.curve is not after.curve:
            told = ["no curve" if one.curve is None else one.curve.form.value for one in (before, after)]
            yield Change(what="flow curve", before=told[0], after=told[1], moved=None, within_tolerance=None)
        return
    old, new = received(before.curve), received(after.curve)
    low, high = new.opening_range
    for opening in (low, (low + high) / 2, high):
        moved = _relative(old, new, opening)
        if moved is not None and moved != 0:
            yield Change(
                what=f"flow at {100 * opening:.0f} % opening",
                before=_flow_told(old, opening, tell),
                after=_flow_told(new, opening, tell),
                moved=tell.one(Ratio, moved),
                within_tolerance=abs(moved) <= tolerance,
            )


def _flow_told(curve: FlowCurve, opening: float, tell: Telling) -> str:

    return _words(tell.one(Flow, flow(curve, opening)))


def _passes(before: Content, after: Content, tell: Telling) -> Iterator[Change]:
    old, new = ({one.name: one for one in content.passes} for content in (before, after))
    for name in sorted(old.keys() | new.keys()):
        then, now = _pass_told(old.get(name), tell), _pass_told(new.get(name), tell)
        if then != now:
            yield Change(what=f"pass {name}", before=then, after=now, moved=None, within_tolerance=None)


def _pass_told(one: Pass | None, tell: Telling) -> str:
    if one is None:
        return "-"
    parts = [one.kind, _told(one.width, tell)]
    parts += [f"throw {_told(one.throw, tell)}"] if one.throw else []
    parts += [f"impeller {_words(one.impeller_speed)}"] if one.impeller_speed else []
    parts += [one.driving.replace("_", " ")] if one.driving else []
    parts += ["two coverages"] if one.coverages == 2 else []
    return ", ".join(parts)


def _measurements(before: Content, after: Content) -> Iterator[Change]:
    """Catches and pan tests that are others, by their count: what they change is told above."""
    if before.calibration != after.calibration:
        yield _counted("catches", *(len(one.calibration.catches) if one.calibration else 0 for one in (before, after)))
    if before.pan_tests != after.pan_tests:
        yield _counted("pan tests", len(before.pan_tests), len(after.pan_tests))


def _counted(what: str, then: int, now: int) -> Change:
    told = str(now) if then != now else f"{now}, others"
    return Change(what=what, before=str(then), after=told, moved=None, within_tolerance=None)


def _members(before: Content, after: Content) -> Iterator[Change]:
    """Every other member that was changed, by its place in the content."""
    old, new = _flat(msgspec.to_builtins(before)), _flat(msgspec.to_builtins(after))
    for place in sorted(old.keys() | new.keys()):
        if place.split("/")[1] not in _TOLD_APART and old.get(place) != new.get(place):
            yield Change(
                what=place[1:].replace("/", " "),
                before=str(old.get(place, "-")),
                after=str(new.get(place, "-")),
                moved=None,
                within_tolerance=None,
            )


def _flat(document: Any, place: str = "") -> dict[str, Any]:
    """Leaves by place; a quantity is one leaf."""
    if isinstance(document, dict) and not set(document) <= {"value", "values", "unit"}:
        parts = [_flat(value, f"{place}/{name}") for name, value in document.items()]
    elif isinstance(document, list) and document:
        parts = [_flat(value, f"{place}/{index + 1}") for index, value in enumerate(document)]
    else:
        return {place: _leaf(document)}
    return {name: value for part in parts for name, value in part.items()}


def _leaf(document: Any) -> Any:
    if isinstance(document, dict) and "value" in document:
        return f"{document['value']:g} {document['unit']}".removesuffix(" 1")
    return document


def _told(quantity: Quantity, tell: Telling) -> str:
    return _words(tell.one(type(quantity), quantity.si))


def _words(quantity: Quantity) -> str:
    return f"{quantity.value:.4g} {quantity.unit}".removesuffix(" 1")
