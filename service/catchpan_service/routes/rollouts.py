"""``/v1/rollouts``: a revision taken up by machines in waves, before it is released to everybody."""

from collections.abc import Callable
from typing import Any

from litestar import Response, Router, get, post
from litestar.params import JSONBody

from catchpan.contract.rollouts import (
    Rollout,
    RolloutMachinePage,
    RolloutMoveRequest,
    RolloutPage,
    RolloutPlan,
    RolloutRequest,
    Rollouts,
)
from catchpan.quantities import System
from catchpan_service.routes.asking import (
    SECURED,
    After,
    Asking,
    Expected,
    Limit,
    Ordered,
    Store,
    Subject,
    Told,
    needs_key,
)
from catchpan_service.routes.replies import changed, encoded, etag, paged, sent, unversioned
from catchpan_service.rules.access import Action, require
from catchpan_service.rules.rollouts import Event
from catchpan_service.si.rollouts import differences, require_possible
from catchpan_service.store import rollouts
from catchpan_service.store.database import Reply
from catchpan_service.store.rollouts import Planned
from catchpan_service.strict import StrictRequest


@get("/rollouts", operation_id="listRollouts", summary="Rollouts, page by page")
async def page(
    request: StrictRequest, database: Store, access: Asking, after: After = None, limit: Limit = 50
) -> Response[RolloutPage]:
    """Rollouts of the organisation, oldest first."""
    require(access.role, Action.OVERSEE)
    return paged(request, await database.read(rollouts.page, access.organisation, after, limit))


@post("/rollouts", operation_id="addRollout", summary="Begin a rollout")
async def add(data: JSONBody[RolloutRequest], database: Store, order: Ordered, told: Told) -> Response[RolloutPlan]:
    """Freeze a revision and let the first wave hold it; a dry run tells the plan, and what it changes on the ground."""
    require(order.access.role, Action.RELEASE)
    require_possible(data)
    return sent(await database.write(rollouts.add, order, data, reply=_planned(data.number, told)))


@post("/rollout-moves", operation_id="advanceRollouts", summary="Make the moves that are due", status_code=200)
async def advance(database: Store, order: Ordered) -> Response[Rollouts]:
    """Look at every rollout under way, and make the move that is due; the service does so by itself now and then."""
    require(order.access.role, Action.RELEASE)
    return sent(await database.write(rollouts.advance, order, reply=unversioned))


@get("/rollouts/{id:uuid}", operation_id="showRollout", summary="One rollout")
async def show(request: StrictRequest, database: Store, access: Asking, id: Subject) -> Response[Rollout]:
    """One rollout, and how many machines of each wave stand where."""
    require(access.role, Action.OVERSEE)
    now = request.app.state.clock()
    found = await database.read(rollouts.get, access.organisation, id, now)
    return Response(found, headers={"ETag": etag(found.version)})


@get("/rollouts/{id:uuid}/machines", operation_id="listRolloutMachines", summary="The machines of a rollout")
async def machines(
    request: StrictRequest, database: Store, access: Asking, id: Subject, after: After = None, limit: Limit = 50
) -> Response[RolloutMachinePage]:
    """Every machine of a rollout, its wave, and how it stands."""
    require(access.role, Action.OVERSEE)
    now = request.app.state.clock()
    return paged(request, await database.read(rollouts.machines, access.organisation, id, now, after, limit))


@post("/rollouts/{id:uuid}/hold", operation_id="holdRollout", summary="Hold a rollout", status_code=200)
async def hold(
    data: JSONBody[RolloutMoveRequest], database: Store, order: Ordered, expected: Expected, id: Subject
) -> Response[Rollout]:
    """Let no further wave begin until somebody resumes it; machines keep what they hold."""
    return await _move(database, order, id, Event.HOLD, data.reason, expected)


@post(
    "/rollouts/{id:uuid}/resume", operation_id="resumeRollout", summary="Resume a rollout that is held", status_code=200
)
async def resume(
    data: JSONBody[RolloutMoveRequest], database: Store, order: Ordered, expected: Expected, id: Subject
) -> Response[Rollout]:
    """Go on: the deadline counts from now on, and what was refused before is forgiven."""
    return await _move(database, order, id, Event.RESUME, data.reason, expected)


@post("/rollouts/{id:uuid}/undo", operation_id="undoRollout", summary="Undo a rollout", status_code=200)
async def undo(
    data: JSONBody[RolloutMoveRequest], database: Store, order: Ordered, expected: Expected, id: Subject
) -> Response[Rollout]:
    """End what its machines hold, so that what their branch or everybody holds is wanted of them again."""
    return await _move(database, order, id, Event.UNDO, data.reason, expected)


async def _move(
    database: Store, order: Ordered, id: Subject, event: Event, reason: str, expected: Expected
) -> Response[Any]:
    require(order.access.role, Action.RELEASE)
    return sent(await database.write(rollouts.move, order, id, event, reason, expected, reply=changed))


def _planned(number: int, told: System) -> Callable[[Planned], Reply]:
    def reply(made: Planned) -> Reply:
        begun, plan = made.rollout, made.plan
        changes = differences(plan.machines, plan.contents, number, told)
        answer = RolloutPlan(rollout=begun, differences=changes, machines=plan.machines)
        return Reply(201, encoded(answer), etag(begun.version), f"/v1/rollouts/{begun.id}")

    return reply


router = Router(
    "/v1",
    route_handlers=[page, add, advance, show, machines, hold, resume, undo],
    tags=["fleet"],
    security=SECURED,
    guards=[needs_key],
)
