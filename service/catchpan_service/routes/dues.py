"""``/v1/dues``: what wants to be checked, calibrated or commissioned until a day."""

from typing import Annotated

from litestar import Response, Router, get
from litestar.params import QueryParameter

from catchpan.contract.dues import DuePage
from catchpan_service.routes.asking import SECURED, After, Asking, Limit, Store, Within, moment, needs_key
from catchpan_service.routes.replies import paged
from catchpan_service.store import dues
from catchpan_service.strict import StrictRequest

Until = Annotated[
    str | None, QueryParameter(format="date-time", description="An instant with its zone; now by default.")
]


@get("/", operation_id="listDues", summary="What is due")
async def page(
    request: StrictRequest,
    database: Store,
    access: Asking,
    within: Within,
    until: Until = None,
    after: After = None,
    limit: Limit = 50,
) -> Response[DuePage]:
    """Checks, calibrations and commissionings that are due until an instant; ``limit`` counts machines."""
    ends = request.app.state.clock() if until is None else moment("until", until)
    asked = (access.organisation, ends, after, limit, within)
    return paged(request, await database.read(dues.page, *asked))


router = Router("/v1/dues", route_handlers=[page], tags=["fleet"], security=SECURED, guards=[needs_key])
