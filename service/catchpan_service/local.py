"""The service inside another process, for work on one machine."""

import logging
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

import msgspec
from litestar import Litestar
from uuid_utils.compat import uuid7

from catchpan_service.app import create_app, system_clock
from catchpan_service.settings import SettingError, read_settings
from catchpan_service.store.database import Database
from catchpan_service.store.errors import Held

__all__ = ["HeldElsewhere", "SettingError", "open_app", "open_database"]


class HeldElsewhere(Exception):
    """Another process works on the database."""


@contextmanager
def _quietly() -> Iterator[None]:
    """Without the store's warnings: a server should know of them, not every command."""
    log = logging.getLogger("catchpan.store")
    before = log.level
    log.setLevel(logging.ERROR)
    try:
        yield
    finally:
        log.setLevel(before)


def open_database(environment: Mapping[str, str]) -> Database:
    """The database of this machine, for the administrator's commands; StoreError where it cannot be opened."""
    with _quietly():
        return Database.open(read_settings(environment).location, clock=system_clock, new_id=uuid7)


def open_app(environment: Mapping[str, str], *, stores: bool) -> Litestar:
    """The app for commands on this machine; who asks is the owner."""
    settings = msgspec.structs.replace(read_settings(environment), log_requests=False)
    try:
        with _quietly():
            return create_app(settings, stores=stores, local=True)
    except Held as error:
        raise HeldElsewhere(f"{error} Name the service with --server, or stop it.") from error
