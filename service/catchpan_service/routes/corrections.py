"""``/v1/corrections``: factors on flow for one machine or one lot, kept beside a revision."""

from litestar import Response, Router, get, post
from litestar.params import JSONBody

from catchpan.contract.corrections import CorrectionPage, CorrectionRequest, KeptCorrection
from catchpan_service.routes.asking import SECURED, After, Asking, Limit, Ordered, Store, Subject, needs_key
from catchpan_service.routes.replies import encoded, paged, sent, unversioned
from catchpan_service.rules.access import Action, require
from catchpan_service.si.corrections import require_sound
from catchpan_service.store import corrections
from catchpan_service.store.database import Reply
from catchpan_service.strict import StrictRequest


@get("/", operation_id="listCorrections", summary="Corrections, page by page")
async def page(
    request: StrictRequest, database: Store, access: Asking, after: After = None, limit: Limit = 50
) -> Response[CorrectionPage]:
    """Corrections in force and over, oldest first; a branch sees those of its machines, and of lots."""
    return paged(request, await database.read(corrections.page, access.organisation, after, limit, access.within))


@post("/", operation_id="addCorrection", summary="Correct one machine or one lot")
async def add(
    request: StrictRequest, data: JSONBody[CorrectionRequest], database: Store, order: Ordered
) -> Response[KeptCorrection]:
    """A factor from checks, in force from now on; outside 0.90 to 1.10 it is refused: calibrate again."""
    require(order.access.role, Action.RELEASE)
    require_sound(data, request.app.state.clock())
    return sent(await database.write(corrections.add, order, data, reply=_added))


@post("/{id:uuid}/end", operation_id="endCorrection", summary="Take a correction out of force", status_code=200)
async def end(database: Store, order: Ordered, id: Subject) -> Response[KeptCorrection]:
    """From now on the curve alone holds again."""
    require(order.access.role, Action.RELEASE)
    return sent(await database.write(corrections.end, order, id, reply=unversioned))


def _added(made: KeptCorrection) -> Reply:
    return Reply(201, encoded(made))


router = Router(
    "/v1/corrections",
    route_handlers=[page, add, end],
    tags=["fleet"],
    security=SECURED,
    guards=[needs_key],
)
