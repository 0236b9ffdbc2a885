"""``/v1/machine-kinds``: machines that one profile fits."""

from litestar import Response, Router, get, post, put
from litestar.params import JSONBody

from catchpan.contract.machine_kinds import MachineKind, MachineKindPage, MachineKindRequest
from catchpan_service.routes.asking import SECURED, After, Asking, Expected, Limit, Ordered, Store, Subject, needs_key
from catchpan_service.routes.replies import added, changed, paged, sent, shown
from catchpan_service.rules.access import Action, require
from catchpan_service.si.ranges import require_sound
from catchpan_service.store import machine_kinds
from catchpan_service.strict import StrictRequest


@get("/", operation_id="listMachineKinds", summary="Machine kinds, page by page")
async def page(
    request: StrictRequest, database: Store, access: Asking, after: After = None, limit: Limit = 50
) -> Response[MachineKindPage]:
    """Machine kinds of the organisation, oldest first."""
    return paged(request, await database.read(machine_kinds.page, access.organisation, after, limit))


@post("/", operation_id="addMachineKind", summary="Add a machine kind")
async def add(data: JSONBody[MachineKindRequest], database: Store, order: Ordered) -> Response[MachineKind]:
    """A new machine kind; its name must be free."""
    require(order.access.role, Action.SAVE)
    require_sound(data)
    reply = added(lambda made: f"/v1/machine-kinds/{made.id}")
    return sent(await database.write(machine_kinds.add, order, data, reply=reply))


@get("/{id:uuid}", operation_id="showMachineKind", summary="One machine kind")
async def show(request: StrictRequest, database: Store, access: Asking, id: Subject) -> Response[MachineKind]:
    """One machine kind of the organisation."""
    return shown(request, await database.read(machine_kinds.get, access.organisation, id))


@put("/{id:uuid}", operation_id="replaceMachineKind", summary="Replace a machine kind")
async def replace(
    data: JSONBody[MachineKindRequest], database: Store, order: Ordered, expected: Expected, id: Subject
) -> Response[MachineKind]:
    """A machine kind anew, if nobody changed it since it was read."""
    require(order.access.role, Action.SAVE)
    require_sound(data)
    return sent(await database.write(machine_kinds.replace, order, id, data, expected, reply=changed))


router = Router(
    "/v1/machine-kinds",
    route_handlers=[page, add, show, replace],
    tags=["profiles"],
    security=SECURED,
    guards=[needs_key],
)
