"""``/v1/materials``: granular products as bagged."""

from litestar import Response, Router, get, post, put
from litestar.params import JSONBody

from catchpan.contract.materials import Material, MaterialPage, MaterialRequest
from catchpan_service.routes.asking import SECURED, After, Asking, Expected, Limit, Ordered, Store, Subject, needs_key
from catchpan_service.routes.replies import added, changed, paged, sent, shown
from catchpan_service.rules.access import Action, require
from catchpan_service.si.ranges import require_sound
from catchpan_service.store import materials
from catchpan_service.strict import StrictRequest


@get("/", operation_id="listMaterials", summary="Materials, page by page")
async def page(
    request: StrictRequest, database: Store, access: Asking, after: After = None, limit: Limit = 50
) -> Response[MaterialPage]:
    """Materials of the organisation, oldest first."""
    return paged(request, await database.read(materials.page, access.organisation, after, limit))


@post("/", operation_id="addMaterial", summary="Add a material")
async def add(data: JSONBody[MaterialRequest], database: Store, order: Ordered) -> Response[Material]:
    """A new material; its name must be free."""
    require(order.access.role, Action.SAVE)
    require_sound(data)
    reply = added(lambda made: f"/v1/materials/{made.id}")
    return sent(await database.write(materials.add, order, data, reply=reply))


@get("/{id:uuid}", operation_id="showMaterial", summary="One material")
async def show(request: StrictRequest, database: Store, access: Asking, id: Subject) -> Response[Material]:
    """One material of the organisation."""
    return shown(request, await database.read(materials.get, access.organisation, id))


@put("/{id:uuid}", operation_id="replaceMaterial", summary="Replace a material")
async def replace(
    data: JSONBody[MaterialRequest], database: Store, order: Ordered, expected: Expected, id: Subject
) -> Response[Material]:
    """A material anew, if nobody changed it since it was read."""
    require(order.access.role, Action.SAVE)
    require_sound(data)
    return sent(await database.write(materials.replace, order, id, data, expected, reply=changed))


router = Router(
    "/v1/materials",
    route_handlers=[page, add, show, replace],
    tags=["profiles"],
    security=SECURED,
    guards=[needs_key],
)
