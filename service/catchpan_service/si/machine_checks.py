"""Checks of machines between the wire and the mathematics: what a record says, and what many of them say together."""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import datetime
from typing import Any, Final, NamedTuple
from uuid import UUID

import msgspec

from catchpan.contract.checks import (
    CheckCatchAnswer,
    CheckCatchRequest,
    CheckSeriesRequest,
    FieldCheckAnswer,
    FieldCheckRequest,
    SeriesCheck,
)
from catchpan.contract.machine_checks import (
    ChartLine,
    CheckKind,
    KindSpread,
    MachineCheckRequest,
    MachineDeviation,
    MaterialChart,
    UsedMaterial,
)
from catchpan.contract.profiles import Content, Pass, WorkRate
from catchpan.quantities import Length, Rate, Ratio, System
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.field_check import reach
from catchpan_service.calibration.machine_spread import machine_spread
from catchpan_service.rules.checks import Judged
from catchpan_service.si import checks
from catchpan_service.si.ranges import require_sound
from catchpan_service.si.reports import require_past
from catchpan_service.si.telling import Telling, findings, rounded

_CONTENT: Final = msgspec.json.Decoder(Content)
_MOST: Final = 500
"""Checks on one chart: the newest."""


class Answers(NamedTuple):
    """What a check is answered with."""

    caught: CheckCatchAnswer | None
    used: FieldCheckAnswer | None


def require_whole(record: MachineCheckRequest, now: datetime) -> None:
    """Refuse with CalibrationError a record of neither kind or of both, of a day to come, or of impossible amounts."""
    require_past(record.at, now)
    require_sound(record)
    if (record.caught is None) == (record.used is None):
        message, allowed = "a check is of catches or of material used", "exactly one of caught and used"
        raise CalibrationError("bad_check", message, where=("caught",), allowed=allowed)


def judge(record: MachineCheckRequest, content: bytes, correction: float) -> Judged:
    """What follows from a record, in SI.

    Raises
    ------
    CalibrationError
        Catches that cannot be held against the curve; a work rate that the revision does not have.
    """
    said = _CONTENT.decode(content)
    told = _answers(record, said, correction, "si")
    if told.caught is not None:
        ratio = told.caught.ratio.si
        return Judged(
            decision=told.caught.decision,
            ratio=ratio,
            uncertainty=told.caught.standard_uncertainty.si,
            factor=told.caught.correction,
        )
    assert record.used is not None  # require_whole saw to it
    flow = None if told.used is None else told.used.flow_and_speed
    mass = record.used.used.si
    nutrients = _nutrients(said, mass)
    return Judged(
        ratio=None if flow is None else flow.value.si,
        uncertainty=None if flow is None else math.log(flow.high.si / flow.low.si) / (2 * reach(1.0)),
        factor=None if flow is None else flow.value.si * correction,
        used=mass,
        area=_covered(_completed(record.used, said)),
        nitrogen=nutrients.get("nitrogen"),
        phosphate=nutrients.get("phosphate"),
        potash=nutrients.get("potash"),
    )


def answers(record: MachineCheckRequest, content: bytes, correction: float, system: System) -> Answers:
    """What a check is answered with: held against its curve, or against what should have been used."""
    return _answers(record, _CONTENT.decode(content), correction, system)


def _answers(record: MachineCheckRequest, said: Content, correction: float, system: System) -> Answers:
    if record.caught is None:
        return Answers(None, None if record.used is None else _used(_completed(record.used, said), system))
    if said.curve is None:
        raise CalibrationError("no_curve", "the revision has no curve", where=("number",), allowed="one with a curve")
    options = {name: getattr(record.caught, name) for name in record.caught.__struct_fields__}
    with _inside("caught"):
        asked = CheckCatchRequest(curve=said.curve, correction=correction, **options)
        return Answers(checks.solve_check_catch(asked, system), None)


def _used(used: UsedMaterial, system: System) -> FieldCheckAnswer | None:
    """Held against what should have been used; None where the record tells too little for that."""
    driven = used.distance is not None and used.laid_width is not None
    if used.rate is None or not (driven or used.area is not None):
        return None
    options = {name: getattr(used, name) for name in FieldCheckRequest.__struct_fields__}
    if not driven:
        options |= {"distance": None, "laid_width": None}
    with _inside("used"):
        return checks.solve_field_check(FieldCheckRequest(**options | {"coverages": used.coverages or 1}), system)


def _covered(used: UsedMaterial) -> float | None:
    """The ground that was covered [m²]: as told, else distance times laid width over coverages."""
    if used.area is not None:
        return used.area.si
    if used.distance is None or used.laid_width is None:
        return None
    return used.distance.si * used.laid_width.si / (used.coverages or 1)


def _completed(used: UsedMaterial, content: Content) -> UsedMaterial:
    """The record with what the work rate that it names tells."""
    if used.work is None:
        return used
    passes = {one.name: one for one in content.passes}
    found = {one.purpose: (one, passes[one.pass_name]) for one in content.work_rates}
    if used.work not in found:
        allowed = ", ".join(found) or "none: this revision has no work rates"
        message = "the revision has no such work rate"
        raise CalibrationError("unknown_work", message, where=("used", "work"), given=used.work, allowed=allowed)
    told = _told_by(*found[used.work])
    own = {name: value for name, value in told.items() if getattr(used, name) is None}
    return msgspec.structs.replace(used, **own)


def _told_by(work: WorkRate, driven: Pass) -> dict[str, Rate | Length | int]:
    return {"rate": work.rate, "laid_width": driven.width, "coverages": driven.coverages}


def _nutrients(content: Content, mass: float) -> dict[str, float]:
    analysis = None if content.material is None else content.material.analysis
    shares = {} if analysis is None else {name: getattr(analysis, name) for name in analysis.__struct_fields__}
    return {name: mass * share.si for name, share in shares.items() if share is not None}


@contextmanager
def _inside(member: str) -> Iterator[None]:
    """What is refused in here is refused at its place within a member of the record."""
    try:
        yield
    except CalibrationError as error:
        where = (member, *error.where)
        raise CalibrationError(error.code, str(error), where=where, given=error.given, allowed=error.allowed) from error


def kind_of(record: MachineCheckRequest) -> CheckKind:
    """What a check was."""
    return CheckKind.USED if record.caught is None else CheckKind.CAUGHT


def charts(
    rows: Iterable[Mapping[Any, Any]], records: Iterable[MachineCheckRequest], system: System
) -> list[MaterialChart]:
    """One chart for each material of a machine's checks, by name; ``rows`` are oldest first."""
    found: dict[tuple[str, str], list[tuple[Mapping[Any, Any], MachineCheckRequest]]] = {}
    for row, record in zip(rows, records, strict=True):
        found.setdefault((row["material_name"], str(row["material"])), []).append((row, record))
    return [_chart(name, material, lines[-_MOST:], system) for (name, material), lines in sorted(found.items())]


def _chart(
    name: str, material: str, lines: Sequence[tuple[Mapping[Any, Any], MachineCheckRequest]], system: System
) -> MaterialChart:
    tell = Telling(system)
    series = [
        SeriesCheck(ratio=Ratio(row["ratio"], "1"), standard_uncertainty=Ratio(row["uncertainty"], "1"))
        for row, _ in lines
    ]
    told = checks.solve_check_series(CheckSeriesRequest(checks=series), system)
    return MaterialChart(
        material=material,
        material_name=name,
        checks=[
            ChartLine(
                number=row["number"],
                at=row["at"],
                by=record.by,
                kind=kind_of(record),
                ratio=tell.one(Ratio, row["ratio"]),
                standard_uncertainty=tell.one(Ratio, row["uncertainty"]),
                charted=charted,
            )
            for (row, record), charted in zip(lines, told.checks, strict=True)
        ],
        ewma_limit=told.ewma_limit,
        cusum_limit=told.cusum_limit,
        findings=told.findings,
    )


def spread(kind: str, rows: Sequence[Mapping[Any, Any]], system: System, within: UUID | None = None) -> KindSpread:
    """The spread between machines of a kind, from the last checks of each with each revision.

    All count; where a branch asks (``within``), its own machines alone are named.
    """
    tell = Telling(system)
    groups = {place: n for n, place in enumerate(dict.fromkeys((row["profile"], row["revision"]) for row in rows))}
    machines = {place: n for n, place in enumerate(dict.fromkeys(row["machine"] for row in rows))}
    found = machine_spread(
        group=[groups[row["profile"], row["revision"]] for row in rows],
        machine=[machines[row["machine"]] for row in rows],
        log_factor=[math.log(row["factor"]) for row in rows],
        standard_uncertainty=[row["uncertainty"] for row in rows],
    )
    return KindSpread(
        machine_kind=kind,
        spread=None if found.spread is None else tell.one(Ratio, found.spread),
        machines_checked=found.machines,
        machines=list(_deviations(rows, found.deviation.tolist(), tell, within)),
        findings=findings(found.findings),
    )


def _deviations(
    rows: Sequence[Mapping[Any, Any]], deviations: Sequence[float], tell: Telling, within: UUID | None
) -> Iterable[MachineDeviation]:
    """Each machine that was checked beside others, by name, and the mean of its deviations."""
    found: dict[Any, list[float]] = {}
    for row, deviation in zip(rows, deviations, strict=True):
        if not math.isnan(deviation) and within in {None, row["branch"]}:
            found.setdefault((row["name"], row["machine"]), []).append(deviation)
    for (name, machine), own in sorted(found.items(), key=lambda one: one[0][0]):
        mean = tell.one(Ratio, rounded(sum(own) / len(own)))
        yield MachineDeviation(machine=str(machine), name=name, checks=len(own), deviation=mean)
