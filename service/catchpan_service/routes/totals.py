"""``/v1/totals``: what went down, by branch, material and period."""

from datetime import UTC, datetime
from typing import Annotated, Any, Final

from litestar import Response, Router, get
from litestar.params import QueryParameter

from catchpan.contract.totals import Total, TotalPage
from catchpan.quantities import Mass
from catchpan_service.routes.asking import SECURED, After, Asking, Store, Told, Within, moment, needs_key
from catchpan_service.routes.replies import paged
from catchpan_service.si.telling import Telling
from catchpan_service.store import totals
from catchpan_service.store.totals import Period
from catchpan_service.strict import StrictRequest

BEGINNING: Final = datetime(1, 1, 1, tzinfo=UTC)
END: Final = datetime(9999, 1, 1, tzinfo=UTC)
Since = Annotated[
    str | None,
    QueryParameter(format="date-time", description="Jobs from this instant on, with its zone; all by default."),
]
Until = Annotated[
    str | None, QueryParameter(format="date-time", description="Jobs before this instant; all by default.")
]
By = Annotated[Period, QueryParameter(name="by", description="Add up by month or by year, in UTC.")]
Most = Annotated[int, QueryParameter(name="limit", ge=1, le=totals.MOST, description="Items on a page.")]


@get("/", operation_id="listTotals", summary="What went down")
async def page(
    request: StrictRequest,
    database: Store,
    access: Asking,
    told: Told,
    within: Within,
    since: Since = None,
    until: Until = None,
    by: By = "month",
    after: After = None,
    limit: Most = 1000,
) -> Response[TotalPage]:
    """Product and nutrients by period, branch and material, from the material that was recorded as used."""
    begins = BEGINNING if since is None else moment("since", since)
    ends = END if until is None else moment("until", until)
    asked = (access.organisation, by, begins, ends, after, limit, within)
    found, tell = await database.read(totals.page, *asked), Telling(told)
    return paged(request, TotalPage(items=[_total(row, tell) for row in found.rows], next=found.following))


def _total(row: Any, tell: Telling) -> Total:
    return Total(
        period=row["period"],
        branch=str(row["branch"]),
        branch_name=row["branch_name"],
        material=str(row["material"]),
        material_name=row["material_name"],
        records=row["records"],
        used=tell.one(Mass, row["used"]),
        measured=row["measured"],
        area=tell.ground(row["area"]),
        nitrogen=tell.maybe(Mass, row["nitrogen"]),
        phosphate=tell.maybe(Mass, row["phosphate"]),
        potash=tell.maybe(Mass, row["potash"]),
    )


router = Router("/v1/totals", route_handlers=[page], tags=["fleet"], security=SECURED, guards=[needs_key])
