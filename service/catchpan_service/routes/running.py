"""``/v1/machines/{id}/running``, ``…/history`` and ``/v1/drift``: what machines run, against what they should."""

from typing import Annotated

from litestar import Response, Router, get, post
from litestar.params import JSONBody, QueryParameter

from catchpan.contract.running import DriftPage, MachineHistory, Running, RunningPage, RunningReport
from catchpan_service.routes.asking import (
    SECURED,
    After,
    Asking,
    Limit,
    Ordered,
    Store,
    Subject,
    Within,
    moment,
    needs_key,
)
from catchpan_service.routes.replies import paged, sent, unversioned
from catchpan_service.rules.access import Action, require
from catchpan_service.si.reports import require_taken_up
from catchpan_service.store import drift, reports, running
from catchpan_service.strict import StrictRequest

At = Annotated[
    str, QueryParameter(format="date-time", description="An instant with its zone, such as 2026-05-12T09:00:00Z.")
]
OnlyDrift = Annotated[bool, QueryParameter(name="only_drift", description="Leave out what is as wanted.")]


@get("/machines/{id:uuid}/running", operation_id="listRunning", summary="What a machine ran")
async def page(
    request: StrictRequest, database: Store, access: Asking, id: Subject, after: After = None, limit: Limit = 50
) -> Response[RunningPage]:
    """Every report of what a machine runs, the one received last first."""
    asked = (access.organisation, id, after, limit, access.within)
    return paged(request, await database.read(running.page, *asked))


@post("/machines/{id:uuid}/running", operation_id="reportRunning", summary="Say what a machine runs", status_code=200)
async def report(
    request: StrictRequest, data: JSONBody[RunningReport], database: Store, order: Ordered, id: Subject
) -> Response[Running]:
    """A revision was taken up: on the parked machine, gates shut, confirmed by a person at it, never under a driver.

    A report that comes late is kept, and does not move the present; the same report twice is one. A check catch that
    was refused counts at once in the rollout of the revision.
    """
    require(order.access.role, Action.REPORT)
    require_taken_up(data, request.app.state.clock())
    return sent(await database.write(reports.hear, order, id, data, order.access.within, reply=unversioned))


@get("/machines/{id:uuid}/history", operation_id="showMachineHistory", summary="What was in force on a machine")
async def history(database: Store, access: Asking, id: Subject, at: At) -> MachineHistory:
    """Which setting was on a machine at an instant, from which catches, with which correction."""
    return await database.read(drift.at, access.organisation, id, moment("at", at), access.within)


@get("/drift", operation_id="listDrift", summary="Wanted against running, machine by machine")
async def drifts(
    request: StrictRequest,
    database: Store,
    access: Asking,
    within: Within,
    only_drift: OnlyDrift = True,
    after: After = None,
    limit: Limit = 50,
) -> Response[DriftPage]:
    """What machines run that they should not, and of which nobody has said; ``limit`` counts machines."""
    asked = (access.organisation, request.app.state.clock(), only_drift, after, limit, within)
    return paged(request, await database.read(drift.page, *asked))


router = Router(
    "/v1",
    route_handlers=[page, report, history, drifts],
    tags=["fleet"],
    security=SECURED,
    guards=[needs_key],
)
