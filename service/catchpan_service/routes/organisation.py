"""``/v1/organisation``: who is asking."""

from litestar import get

from catchpan.contract.organisations import Organisation
from catchpan_service.routes.asking import SECURED, Asking, needs_key


@get(
    "/v1/organisation",
    operation_id="showOrganisation",
    summary="Who is asking?",
    tags=["service"],
    security=SECURED,
    guards=[needs_key],
)
async def show(access: Asking) -> Organisation:
    """The organisation of the key, and what the key may do."""
    return Organisation(
        id=str(access.organisation),
        name=access.organisation_name,
        units=access.units,
        key=str(access.key),
        key_name=access.key_name,
        role=access.role,
        branch=None if access.branch is None else str(access.branch),
    )
