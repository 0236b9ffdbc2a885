"""``/v1/calendar.ics``: what is due, for a calendar program that subscribes to it."""

import hashlib
from datetime import timedelta
from typing import Annotated, Final

from litestar import Response, get
from litestar.params import QueryParameter

from catchpan.contract.organisations import Role
from catchpan.contract.problems import Slug
from catchpan_service.calendars import CALENDAR, calendar
from catchpan_service.problems import Refusal
from catchpan_service.routes.asking import Store, of_secret
from catchpan_service.routes.replies import shown_bytes
from catchpan_service.store import dues
from catchpan_service.strict import StrictRequest

AHEAD: Final = timedelta(days=731)

Token = Annotated[
    str | None,
    QueryParameter(name="token", max_length=200, description="The secret of a key with the role calendar."),
]


@get(
    "/v1/calendar.ics",
    operation_id="showCalendar",
    summary="What is due, as a calendar",
    media_type=CALENDAR,
    tags=["fleet"],
)
async def show(request: StrictRequest, database: Store, token: Token = None) -> Response[bytes]:
    """Checks, calibrations and commissionings of the next two years as iCalendar (RFC 5545), to be subscribed to.

    The address holds a secret that opens nothing else. What is overdue, or was never done, stands on today.
    """
    if token is None:
        raise Refusal(Slug.KEY_MISSING, "The address of a calendar ends in ?token= and the secret of a calendar's key")
    access = await of_secret(request, token)
    if access.role != Role.CALENDAR:
        raise Refusal(
            Slug.KEY_REFUSED, "Only a key with the role calendar opens the calendar; this one has no place here"
        )
    now = request.app.state.clock()
    due = await database.read_apart(dues.all_of_them, access.organisation, now + AHEAD, access.branch)
    body = calendar(due.items, yards=due.branches, name=access.organisation_name, today=now.date())
    return shown_bytes(request, body, f'"{hashlib.sha256(body).hexdigest()[:32]}"', CALENDAR)
