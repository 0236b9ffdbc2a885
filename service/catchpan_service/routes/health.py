"""Whether the service is up, and whether it is ready."""

from litestar import get

from catchpan import __version__
from catchpan.contract.organisations import Health
from catchpan_service.routes.asking import Store
from catchpan_service.store import organisations
from catchpan_service.store.scopes import ADMINISTRATOR


@get("/healthz", operation_id="health", summary="Is the service up?", tags=["service"], sync_to_thread=False)
def health() -> Health:
    """The process answers."""
    return Health(status="ok", version=__version__)


@get("/readyz", operation_id="ready", summary="Is the service ready?", tags=["service"])
async def ready(database: Store) -> Health:
    """The database answers too."""
    await database.read_as(ADMINISTRATOR, organisations.count)
    return Health(status="ok", version=__version__)
