"""The service inside another process, for work on one machine."""

from collections.abc import Mapping

import msgspec
from litestar import Litestar

from catchpan_service.app import create_app
from catchpan_service.settings import read_settings
from catchpan_service.store.errors import Held


class HeldElsewhere(Exception):
    """Another process works on the database."""


def open_app(environment: Mapping[str, str], *, stores: bool) -> Litestar:
    """The app for commands on this machine; who asks is the owner."""
    settings = msgspec.structs.replace(read_settings(environment), log_requests=False)
    try:
        return create_app(settings, stores=stores, local=True)
    except Held as error:
        raise HeldElsewhere(f"{error} Name the service with --server, or stop it.") from error
