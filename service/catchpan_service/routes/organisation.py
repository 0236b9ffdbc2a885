"""``/v1/organisation``: who is asking."""

from litestar import get

from catchpan.contract.organisations import Organisation
from catchpan_service.routes.asking import SECURED
from catchpan_service.store.database import Access


@get("/v1/organisation", operation_id="showOrganisation", summary="Who is asking?", tags=["service"], security=SECURED)
async def show(access: Access) -> Organisation:
    """The organisation of the key, and what the key may do."""
    return Organisation(
        id=str(access.organisation),
        name=access.organisation_name,
        units=access.units,
        key=str(access.key),
        key_name=access.key_name,
        role=access.role,
    )
