"""The service as a program: settings, database, first key, and uvicorn."""

import socket
from collections.abc import Callable, Mapping

import uvicorn
from uuid_utils.compat import uuid7

from catchpan.contract.organisations import Role
from catchpan_service import admin
from catchpan_service.app import create_app
from catchpan_service.settings import SettingError, Settings, read_settings
from catchpan_service.store.database import Database
from catchpan_service.store.engines import shown
from catchpan_service.store.errors import BadLocation, Conflict, Held, StoreError, Unreachable

__all__ = ["BadLocation", "Held", "SettingError", "StoreError", "Unreachable", "run"]


def run(environment: Mapping[str, str], *, first_key: Callable[[str], None], say: Callable[[str], None]) -> None:
    """Serve until told to stop.

    ``first_key`` is given the secret of the owner's key that is made on an empty database; ``say`` gets a sentence
    once the service listens.

    Raises
    ------
    SettingError, StoreError
        A setting cannot be used; the database cannot be opened (Held: another process works on it).
    OSError
        The address cannot be listened on.
    """
    settings = read_settings(environment)
    with socket.create_server((settings.host, settings.port), reuse_port=False) as listening:
        app = create_app(settings)
        _first_steps(app.state.database, settings, first_key)
        host, port = listening.getsockname()[:2]
        kept = shown(settings.location)
        say(f"Catchpan listens on http://{host}:{port}; database {kept}; stop it with Ctrl-C")
        server = uvicorn.Server(
            uvicorn.Config(app, log_level="warning", access_log=False, lifespan="on", timeout_graceful_shutdown=10)
        )
        server.run(sockets=[listening])


def _first_steps(database: Database, settings: Settings, first_key: Callable[[str], None]) -> None:
    if admin.list_organisations(database):
        return
    try:
        admin.add_organisation(database, settings.organisation, units="us", new_id=uuid7)
    except Conflict:  # another process on the same database was first, and has the key
        return
    first_key(admin.create_key(database, settings.organisation, "first key", role=Role.OWNER).secret)
