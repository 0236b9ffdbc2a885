"""What many tests share: a service on a real database file, and a clock that can be set."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from uuid import UUID

import hypothesis
import pytest
from litestar import Litestar

from catchpan import Catchpan
from catchpan.contract.branches import BranchRequest
from catchpan_service import admin
from catchpan_service.app import create_app
from catchpan_service.settings import Settings
from catchpan_service.store import branches, migrations
from catchpan_service.store.database import Order
from tests.postgresql import Server, serving
from tests.store.places import Place, file_place, server_place

# The same cases in every run: whoever breaks something sees it, and nobody else does.
hypothesis.settings.register_profile("steady", derandomize=True, deadline=None)
hypothesis.settings.load_profile("steady")


class SetClock:
    """A clock that stands still until it is moved."""

    def __init__(self) -> None:
        self.now = datetime(2031, 4, 7, 6, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now

    def advance(self, **by: float) -> None:
        self.now += timedelta(**by)


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    """A PostgreSQL server, started for the first test that asks for it."""
    with serving() as started:
        yield started


@pytest.fixture(scope="session")
def template(server: Server) -> Iterator[str]:
    """The name of a PostgreSQL database with the schema and no row."""
    name = server.add()
    migrations.upgrade(server.login.set(database=name))
    yield name
    server.drop(name)


def _place(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Place]:
    if request.param == "sqlite":
        yield file_place(tmp_path_factory.mktemp("place") / "catchpan.sqlite")
        return
    server: Server = request.getfixturevalue("server")
    name = server.add(request.getfixturevalue("template"))
    yield server_place(server, name)
    server.drop(name)


@pytest.fixture(params=["sqlite", "postgresql"], scope="module")
def each_place(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Place]:
    """A database of each kind for all tests of a module."""
    yield from _place(request, tmp_path_factory)


@pytest.fixture(params=["sqlite", "postgresql"])
def own_place(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Place]:
    """A database of each kind for one test alone."""
    yield from _place(request, tmp_path_factory)


@pytest.fixture
def clock() -> SetClock:
    return SetClock()


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return Settings(database=str(tmp_path / "catchpan.sqlite"), log_requests=False)


@pytest.fixture
def app(settings: Settings) -> Iterator[Litestar]:
    made = create_app(settings)
    yield made
    made.state.database.close()


@pytest.fixture
def keys(app: Litestar) -> dict[str, str]:
    """One key for each role of one organisation, and the owner's of another."""
    from uuid_utils.compat import uuid7

    database = app.state.database
    found = {}
    for name in ("Alder Hollow Grounds", "Quarry Lane Turf"):
        admin.add_organisation(database, name, units="us", new_id=uuid7)
    asking = admin.administrator(database, "Alder Hollow Grounds")
    yard = UUID(database.write_now(branches.add, Order(asking, "test"), BranchRequest(name="Office yard")).id)
    for role in ("owner", "calibrator", "branch", "reader"):
        at = yard if role == "branch" else None
        found[role] = admin.create_key(database, "Alder Hollow Grounds", role, role=role, branch=at).secret
    found["other owner"] = admin.create_key(database, "Quarry Lane Turf", "owner", role="owner").secret
    return found


@pytest.fixture
def client(app: Litestar, keys: dict[str, str]) -> Iterator[Catchpan]:
    """The owner's client."""
    with Catchpan.in_process(app, key=keys["owner"]) as made:
        yield made
