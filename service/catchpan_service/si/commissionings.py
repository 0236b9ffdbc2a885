"""Commissionings between the wire and the mathematics: what follows from one, and what differs from the one before."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from typing import Final, NamedTuple

import numpy as np

from catchpan.contract.commissionings import BalanceJudged, CommissioningRequest, GateFound, GateJudged
from catchpan.contract.findings import Finding, FindingCode, Severity
from catchpan.contract.gate_stops import GateStopsRequest
from catchpan.contract.ground_speeds import GroundSpeedAnswer, GroundSpeedRequest
from catchpan.contract.profiles import Change
from catchpan.quantities import Quantity, Ratio, Ratios, System
from catchpan_service.calibration import commissioning
from catchpan_service.calibration.commissioning import Compared
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.si.machines import solve_gate_stops, solve_ground_speed
from catchpan_service.si.reports import require_past
from catchpan_service.si.telling import Telling, findings

_CHANGED: Final = 0.005
"""Smaller relative differences from last time are not worth a line."""


class Judged(NamedTuple):
    """What follows from a commissioning."""

    gates: list[GateJudged]
    balance: list[BalanceJudged]
    impellers: Ratios
    ground_speed: GroundSpeedAnswer | None
    scale: Ratio | None
    changes: list[Change]
    findings: list[Finding]


def judge(
    record: CommissioningRequest, before: CommissioningRequest | None, recorded: datetime, system: System
) -> Judged:
    """What follows from a commissioning, and what changed since the one before; CalibrationError, by its place."""
    _require_day(record, recorded)
    _require_sides(record)
    tell = Telling(system)
    gates, found = _gates(record, before, system)
    shares, turns, scale = _compared(record)
    driven = None if record.ground_speed is None else _driven(record.ground_speed, system)
    found += [] if driven is None else _at(driven.findings, "/ground_speed")
    for place, compared in (("balance", shares), ("impellers", turns), ("scale", scale)):
        found += _rows(findings(compared.findings), place)
    return Judged(
        gates=gates,
        balance=[
            BalanceJudged(opening=one.opening, left_share=tell.one(Ratio, share))
            for one, share in zip(record.balance, shares.values.tolist(), strict=True)
        ],
        impellers=tell.many(Ratios, turns.values),
        ground_speed=driven,
        scale=tell.one(Ratio, scale.values[0]) if record.scale else None,
        changes=[] if before is None else list(_changes(record, before, tell)),
        findings=[*_seen(record), *found],
    )


def _gates(
    record: CommissioningRequest, before: CommissioningRequest | None, system: System
) -> tuple[list[GateJudged], list[Finding]]:
    judged, found = [], []
    for index, gate in enumerate(record.gates):
        with _within("gates", index):
            answer = solve_gate_stops(_stops(gate, _same_side(before, gate)), system)
        judged.append(GateJudged(**{name: getattr(answer, name) for name in GateJudged.__struct_fields__}))
        found += _at(answer.findings, f"/gates/{index}")
    return judged, found


def _compared(record: CommissioningRequest) -> tuple[Compared, Compared, Compared]:
    """Balance of the sides, impeller speeds, and the scale."""
    scales = [] if record.scale is None else [record.scale]
    with _within("balance"):
        shares = commissioning.balance(
            left=[one.left.si for one in record.balance], right=[one.right.si for one in record.balance]
        )
    with _within("impellers"):
        turns = commissioning.impeller_speeds(
            panel=[one.panel.si for one in record.impellers], tachometer=[one.tachometer.si for one in record.impellers]
        )
    with _within("scale"):
        scale = commissioning.scale_error(
            shown=[one.shown.si for one in scales], weight=[one.weight.si for one in scales]
        )
    return shares, turns, scale


def _driven(request: GroundSpeedRequest, system: System) -> GroundSpeedAnswer:
    with _within("ground_speed"):
        return solve_ground_speed(request, system)


@contextmanager
def _within(place: str, index: int | None = None) -> Iterator[None]:
    """Refusals point into a part of the record; those of a column, ``left 2``, into its row."""
    try:
        yield
    except CalibrationError as error:
        name, *row = error.where
        step = [] if place in {"scale", "ground_speed"} else row if index is None else [index]
        rest = [] if place == "scale" or (index is None and place != "ground_speed") else row
        where = (place, *step, name, *rest)
        raise CalibrationError(error.code, str(error), where=where, given=error.given, allowed=error.allowed) from error


def _require_day(record: CommissioningRequest, recorded: datetime) -> None:
    require_past(record.done, recorded, "done")
    if record.due is not None and record.due <= record.done:
        message, allowed = "it cannot be due again before it was done", "a day after done"
        raise CalibrationError("bad_due", message, where=("due",), given=f"{record.due:%Y-%m-%d}", allowed=allowed)


def _require_sides(record: CommissioningRequest) -> None:
    sides = [gate.side for gate in record.gates]
    if len(set(sides)) < len(sides) or ("both" in sides and len(sides) > 1):
        message, allowed = (
            "the sides of the gates do not go together",
            "one gate of both sides, or one left and one right",
        )
        raise CalibrationError("bad_side", message, where=("gates", 1, "side"), given=sides[-1], allowed=allowed)


def _stops(gate: GateFound, before: GateFound | None) -> GateStopsRequest:
    return GateStopsRequest(
        closed=gate.closed,
        open=gate.open,
        side=gate.side,
        from_below=gate.from_below,
        from_above=gate.from_above,
        previous_closed=None if before is None else before.closed,
        previous_open=None if before is None else before.open,
    )


def _same_side(before: CommissioningRequest | None, gate: GateFound) -> GateFound | None:
    return next((one for one in before.gates if one.side == gate.side), None) if before else None


def _seen(record: CommissioningRequest) -> Iterator[Finding]:
    """What was seen and needs no computation."""
    for index, gate in enumerate(record.gates):
        if gate.shut == "leaks":
            yield Finding(
                code=FindingCode.GATE_LEAKS,
                severity=Severity.STOP,
                where=f"/gates/{index}/shut",
                what=f"The gate ({gate.side}) leaks when it is shut.",
                advice="Mend the gate before the machine goes out: it lays material wherever it stands or turns.",
            )
    for index, impeller in enumerate(record.impellers):
        if impeller.vanes == "worn":
            yield Finding(
                code=FindingCode.VANES_WORN,
                severity=Severity.LOOK,
                where=f"/impellers/{index}/vanes",
                what="The vanes are worn.",
                advice="Replace them, and make a pan test: worn vanes throw another pattern.",
            )


def _at(found: Sequence[Finding], place: str) -> list[Finding]:
    return [_moved(one, place + one.where) for one in found]


def _rows(found: Sequence[Finding], place: str) -> list[Finding]:
    """Findings of columns, ``/left/2``, as those of rows, ``/balance/2/left``; the scale has one row only."""
    placed = []
    for one in found:
        _, name, index = one.where.split("/")
        placed.append(_moved(one, f"/{place}/{name}" if place == "scale" else f"/{place}/{index}/{name}"))
    return placed


def _moved(one: Finding, where: str) -> Finding:
    return Finding(code=one.code, severity=one.severity, where=where, what=one.what, advice=one.advice)


def _changes(now: CommissioningRequest, before: CommissioningRequest, tell: Telling) -> Iterator[Change]:
    """What differs from last time, in the trade's terms."""
    for gate in now.gates:
        old = _same_side(before, gate)
        if old is not None:
            for name in ("closed", "open"):
                yield from _number(f"{name} stop, {gate.side}", getattr(old, name), getattr(gate, name))
    for one, old_one in zip(now.impellers, before.impellers, strict=False):
        yield from _quantity(f"impeller speed by tachometer, {one.side}", old_one.tachometer, one.tachometer, tell)
        if one.vanes != old_one.vanes:
            yield _change(f"vanes, {one.side}", old_one.vanes or "not looked at", one.vanes or "not looked at")
    tyres = {one.where: one.pressure for one in before.tyres}
    for tyre in now.tyres:
        if tyre.where in tyres:
            yield from _quantity(f"tyre pressure, {tyre.where}", tyres[tyre.where], tyre.pressure, tell)
    if now.scale and before.scale:
        shown = [one.shown.si / one.weight.si for one in (before.scale, now.scale)]
        yield from _relative(
            "scale over check weight", f"{shown[0]:.4f}", f"{shown[1]:.4f}", shown[1] / shown[0] - 1, tell
        )


def _number(what: str, before: float, after: float) -> Iterator[Change]:
    if before != after:
        yield _change(what, f"{before:g}", f"{after:g}")


def _quantity(what: str, before: Quantity, after: Quantity, tell: Telling) -> Iterator[Change]:
    yield from _relative(what, str(before), str(after), after.si / before.si - 1 if before.si else np.inf, tell)


def _relative(what: str, before: str, after: str, by: float, tell: Telling) -> Iterator[Change]:
    if abs(by) > _CHANGED:
        yield Change(what=what, before=before, after=after, moved=tell.maybe(Ratio, by), within_tolerance=None)


def _change(what: str, before: str, after: str) -> Change:
    return Change(what=what, before=before, after=after, moved=None, within_tolerance=None)
