"""``/v1/machines``: the spreaders of a company, each at one branch."""

from litestar import Response, Router, get, post, put
from litestar.params import JSONBody

from catchpan.contract.branches import Machine, MachinePage, MachineRequest
from catchpan_service.routes.asking import (
    SECURED,
    After,
    Asking,
    Expected,
    Limit,
    Ordered,
    Store,
    Subject,
    Within,
    needs_key,
)
from catchpan_service.routes.replies import added, changed, paged, sent, shown
from catchpan_service.rules.access import Action, require
from catchpan_service.store import machines
from catchpan_service.strict import StrictRequest


@get("/", operation_id="listMachines", summary="Machines, page by page")
async def page(
    request: StrictRequest, database: Store, access: Asking, within: Within, after: After = None, limit: Limit = 50
) -> Response[MachinePage]:
    """Machines of the organisation or of one branch, oldest first."""
    return paged(request, await database.read(machines.page, access.organisation, after, limit, within))


@post("/", operation_id="addMachine", summary="Add a machine")
async def add(data: JSONBody[MachineRequest], database: Store, order: Ordered) -> Response[Machine]:
    """A new machine at a branch; its name must be free."""
    require(order.access.role, Action.ARRANGE)
    reply = added(lambda made: f"/v1/machines/{made.id}")
    return sent(await database.write(machines.add, order, data, reply=reply))


@get("/{id:uuid}", operation_id="showMachine", summary="One machine")
async def show(request: StrictRequest, database: Store, access: Asking, id: Subject) -> Response[Machine]:
    """One machine of the organisation."""
    return shown(request, await database.read(machines.get, access.organisation, id, access.within))


@put("/{id:uuid}", operation_id="replaceMachine", summary="Replace a machine")
async def replace(
    data: JSONBody[MachineRequest], database: Store, order: Ordered, expected: Expected, id: Subject
) -> Response[Machine]:
    """A machine anew, if nobody changed it since it was read; one that moves to another branch takes its holdings."""
    require(order.access.role, Action.ARRANGE)
    return sent(await database.write(machines.replace, order, id, data, expected, reply=changed))


router = Router(
    "/v1/machines",
    route_handlers=[page, add, show, replace],
    tags=["sync"],
    security=SECURED,
    guards=[needs_key],
)
