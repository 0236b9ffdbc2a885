"""``/v1/machines/{id}/checks``, ``…/charts`` and ``/v1/machine-kinds/{id}/spread``: what machines really deliver."""

from collections.abc import Callable
from typing import Annotated, Any

from litestar import Response, Router, get, post
from litestar.params import JSONBody, PathParameter

from catchpan.contract.checks import Decision
from catchpan.contract.machine_checks import (
    KindSpread,
    MachineCharts,
    MachineCheck,
    MachineCheckPage,
    MachineCheckRequest,
    MachineCheckSummary,
    StrikeRequest,
)
from catchpan.quantities import Mass, Ratio, System
from catchpan_service.routes.asking import (
    SECURED,
    After,
    Asking,
    Limit,
    Ordered,
    Store,
    Subject,
    Told,
    needs_key,
)
from catchpan_service.routes.replies import encoded, paged, sent
from catchpan_service.rules.access import Action, require
from catchpan_service.si import machine_checks as judging
from catchpan_service.si.telling import Telling
from catchpan_service.store import machine_checks, reports
from catchpan_service.store.database import Reply
from catchpan_service.store.machine_checks import Recorded, record_of
from catchpan_service.strict import StrictRequest

Number = Annotated[int, PathParameter(ge=1, le=1_000_000_000, description="Number of a check.")]


@get("/machines/{id:uuid}/checks", operation_id="listMachineChecks", summary="Checks of a machine")
async def page(
    request: StrictRequest,
    database: Store,
    access: Asking,
    told: Told,
    id: Subject,
    after: After = None,
    limit: Limit = 50,
) -> Response[MachineCheckPage]:
    """Every check of a machine, the one recorded last first; those too that were struck."""
    asked = (access.organisation, id, after, limit, access.within)
    rows, following = await database.read(machine_checks.page, *asked)
    tell = Telling(told)
    return paged(request, MachineCheckPage(items=[_summary(row, tell) for row in rows], next=following))


@post("/machines/{id:uuid}/checks", operation_id="addMachineCheck", summary="Record a check of a machine")
async def add(
    request: StrictRequest,
    data: JSONBody[MachineCheckRequest],
    database: Store,
    order: Ordered,
    told: Told,
    id: Subject,
) -> Response[MachineCheck]:
    """Catches made again are held against the revision's curve, material used against its rate and the ground.

    Check catches count in the charts of the machine, in the spread of its kind, and in the rollout of the revision;
    material used counts in the totals. One that was refused holds its rollout at once.
    """
    require(order.access.role, Action.REPORT)
    judging.require_whole(data, request.app.state.clock())
    asked = (id, data, judging.judge, order.access.within)
    return sent(await database.write(reports.check, order, *asked, reply=_recorded(told)))


@get("/machines/{id:uuid}/checks/{number:int}", operation_id="showMachineCheck", summary="One check of a machine")
async def show(database: Store, access: Asking, told: Told, id: Subject, number: Number) -> MachineCheck:
    """A check as it was recorded, and what follows from it."""
    return _told(await database.read(machine_checks.get, access.organisation, id, number, access.within), told)


@post(
    "/machines/{id:uuid}/checks/{number:int}/strike",
    operation_id="strikeMachineCheck",
    summary="Let a check count no longer",
    status_code=200,
)
async def strike(
    data: JSONBody[StrikeRequest], database: Store, order: Ordered, told: Told, id: Subject, number: Number
) -> Response[MachineCheck]:
    """A check that was recorded wrongly counts no longer; it stays on record, with the reason."""
    require(order.access.role, Action.REPORT)
    asked = (id, number, data.reason, order.access.within)

    def reply(made: Recorded) -> Reply:
        return Reply(200, encoded(_told(made, told)))

    return sent(await database.write(machine_checks.strike, order, *asked, reply=reply))


@get("/machines/{id:uuid}/charts", operation_id="showMachineCharts", summary="Charts of a machine's checks")
async def charts(database: Store, access: Asking, told: Told, id: Subject) -> MachineCharts:
    """EWMA and CUSUM over what a machine delivered against what was promised, by material."""
    found = await database.read(machine_checks.charted, access.organisation, id, access.within)
    made = judging.charts(found.rows, [record_of(row) for row in found.rows], told)
    return MachineCharts(machine=str(found.machine), machine_name=found.name, charts=made)


@get("/machine-kinds/{id:uuid}/spread", operation_id="showKindSpread", summary="The spread between machines of a kind")
async def spread(database: Store, access: Asking, told: Told, id: Subject) -> KindSpread:
    """How much machines of a kind differ, by their last check catches: for the interval of any machine.

    A branch is told of its own machines one by one, of the others in the spread alone.
    """
    rows = await database.read(machine_checks.of_kind, access.organisation, id)
    return judging.spread(str(id), rows, told, access.within)


def _recorded(told: System) -> Callable[[Recorded], Reply]:
    def reply(made: Recorded) -> Reply:
        path = f"/v1/machines/{made.row['machine']}/checks/{made.row['number']}"
        return Reply(201, encoded(_told(made, told)), location=path)

    return reply


def _told(made: Recorded, told: System) -> MachineCheck:
    row = made.row
    answers = judging.answers(made.record, made.content, row["correction"], told)
    return MachineCheck(
        id=str(row["id"]),
        machine=str(row["machine"]),
        machine_name=made.machine_name,
        branch=str(row["branch"]),
        number=row["number"],
        recorded=row["recorded"],
        recorded_by=row["recorded_by"],
        record=made.record,
        digest=row["digest"],
        correction=row["correction"],
        caught=answers.caught,
        used=answers.used,
        area=Telling(told).ground(row["area"]),
        struck=row["struck"],
        why_struck=row["why_struck"],
    )


def _summary(row: Any, tell: Telling) -> MachineCheckSummary:
    record = record_of(row)
    return MachineCheckSummary(
        id=str(row["id"]),
        number=row["number"],
        profile=record.profile,
        revision=record.number,
        at=record.at,
        by=record.by,
        lot=record.lot,
        kind=judging.kind_of(record),
        decision=None if row["decision"] is None else Decision(row["decision"]),
        ratio=tell.maybe(Ratio, row["ratio"]),
        standard_uncertainty=tell.maybe(Ratio, row["uncertainty"]),
        used=tell.maybe(Mass, row["used"]),
        area=tell.ground(row["area"]),
        struck=row["struck"],
    )


router = Router(
    "/v1",
    route_handlers=[page, add, show, strike, charts, spread],
    tags=["fleet"],
    security=SECURED,
    guards=[needs_key],
)
