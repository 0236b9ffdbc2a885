"""The settings of one machine for one profile: openings of its work rates as positions of its own actuators."""

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import NamedTuple

import msgspec

from catchpan.contract.commissionings import (
    GateColumn,
    GateFound,
    GatePosition,
    MachineGateTable,
    WorkSetting,
)
from catchpan.contract.findings import Finding, FindingCode, Severity
from catchpan.contract.gate_table import GateTableRequest
from catchpan.contract.machine_checks import KindSpread
from catchpan.contract.profiles import Content, State, WorkRate
from catchpan.contract.sync import Entry
from catchpan.quantities import Ratio, System
from catchpan_service.calibration.gate_stops import gate_stops
from catchpan_service.si import openings
from catchpan_service.si.machines import solve_gate_table
from catchpan_service.si.profiles import work_request
from catchpan_service.si.telling import array, rounded

_OF_OTHERS = {FindingCode.ANY_MACHINE_UNKNOWN}
"""What is said of other machines has no place in the setting of one."""


class Setting(NamedTuple):
    """What a machine's setting follows from: the content, its gates, the controller's step, the factor on flow.

    ``others`` is what is known of other machines of the kind, since the catches may be another's.
    """

    content: Content
    gates: Sequence[GateFound]
    step: Ratio | None
    correction: float
    others: KindSpread


def works(setting: Setting, system: System) -> tuple[list[WorkSetting], list[Finding]]:
    """The setting for every work rate of a content, and what was found in them; none without a curve."""
    content = setting.content
    passes = {one.name: one for one in content.passes}
    settings, found = [], []
    for work in content.work_rates if content.curve is not None else ():
        asked = msgspec.structs.replace(
            work_request(content, work, passes[work.pass_name]),
            correction=setting.correction,
            opening_step=setting.step,
            between_machine_spread=setting.others.spread,
            machines_checked=setting.others.machines_checked if setting.others.spread else None,
        )
        answer = openings.solve(asked, system)
        opening = answer.opening if answer.set_opening is None else answer.set_opening
        settings.append(
            WorkSetting(
                purpose=work.purpose,
                rate=work.rate,
                speed=work.speed,
                pass_name=work.pass_name,
                opening=answer.opening,
                set_opening=opening,
                positions=[] if opening is None else _positions(setting.gates, opening.si),
                rate_interval=answer.rate_interval,
                status=answer.status,
            )
        )
        found += [_of_work(one, work) for one in answer.findings if one.code not in _OF_OTHERS]
    return settings, _once(found)


def _positions(gates: Sequence[GateFound], opening: float) -> list[GatePosition]:
    return [GatePosition(side=one.side, position=_of_gate(one, [opening])[0]) for one in gates]


def _of_gate(gate: GateFound, wanted: Sequence[float]) -> list[float]:
    found = gate_stops(closed=gate.closed, open_=gate.open, openings=wanted).positions.tolist()
    return [rounded(one) for one in found]


def _of_work(one: Finding, work: WorkRate) -> Finding:
    return msgspec.structs.replace(one, where="", what=f"{work.purpose}: {one.what}")


def _once(found: Sequence[Finding]) -> list[Finding]:
    return list({(one.code, one.what): one for one in found}.values())


def table(setting: Setting, system: System) -> MachineGateTable | None:
    """Rows for a controller that takes a table, from the smallest steady opening on; None without a curve."""
    curve = setting.content.curve
    if curve is None:
        return None
    request = GateTableRequest(curve=curve, opening_step=setting.step)
    if curve.smallest_steady_opening is not None:
        low = max(curve.smallest_steady_opening, curve.smallest_opening)
        request = msgspec.structs.replace(request, low=Ratio(low, "1"))
    found = solve_gate_table(request, system)
    rows = array(found.openings).tolist()
    flows = [rounded(one * setting.correction) for one in found.flows.values]
    return MachineGateTable(
        openings=found.openings,
        flows=msgspec.structs.replace(found.flows, values=flows),
        gates=[GateColumn(side=one.side, positions=_of_gate(one, rows)) for one in setting.gates],
        tolerance=found.tolerance,
    )


def standing(entry: Entry, commissioned: datetime | None, due: datetime | None, now: datetime) -> Iterator[Finding]:
    """What must be said beside a setting: how the revision and the machine stand today."""
    if commissioned is None:
        yield Finding(
            code=FindingCode.NOT_COMMISSIONED,
            severity=Severity.LOOK,
            where="/commissioning",
            what="This machine was never commissioned: an opening of 40 % may be another gap here.",
            advice="Find its gate stops with the gauge, and record them.",
        )
    elif due is not None and due <= now:
        yield Finding(
            code=FindingCode.COMMISSIONING_DUE,
            severity=Severity.LOOK,
            where="/commissioning",
            what=f"Its commissioning was due again on {due:%Y-%m-%d}.",
            advice="Commission it again.",
        )
    if entry.state == State.PROVISIONAL:
        until = "" if entry.valid_until is None else f" until {entry.valid_until:%Y-%m-%d}"
        yield Finding(
            code=FindingCode.PROVISIONAL_REVISION,
            severity=Severity.LOOK,
            where="/state",
            what=f"PROVISIONAL{until}: a borrowed curve, corrected at few openings.",
            advice="Calibrate this material, and use it no longer than that.",
        )
    if entry.check_due is not None and entry.check_due <= now:
        yield Finding(
            code=FindingCode.CHECK_DUE,
            severity=Severity.LOOK,
            where="/profile",
            what=f"Its check was due on {entry.check_due:%Y-%m-%d}.",
            advice="Make check catches.",
        )
