"""A real database for each test, of both kinds one after the other, and two invented companies in it."""

import shutil

import pytest

from catchpan_service.store import migrations
from tests.store.office import Clock, found
from tests.store.places import file_place, server_place, wipe

KINDS = ("sqlite", "postgresql")


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def path(tmp_path):
    return tmp_path / "catchpan.sqlite"


@pytest.fixture(scope="session")
def empty(tmp_path_factory):
    """A database file with the schema and no row, made once."""
    made = tmp_path_factory.mktemp("empty") / "catchpan.sqlite"
    migrations.upgrade(made)
    return made


@pytest.fixture(scope="session")
def shared(server, template):
    """A PostgreSQL database for one test after the other."""
    name = server.add(template)
    yield server_place(server, name)
    server.drop(name)


@pytest.fixture
def file(path, empty):
    """An SQLite file with the schema and no row."""
    shutil.copy(empty, path)
    return file_place(path)


@pytest.fixture
def wiped(shared):
    """A PostgreSQL database with the schema and no row."""
    wipe(shared)
    return shared


@pytest.fixture
def own(server, template):
    """A PostgreSQL database with the schema and no row, which no other test sees."""
    name = server.add(template)
    yield server_place(server, name)
    server.drop(name)


@pytest.fixture
def blank_server_place(server):
    name = server.add()
    yield server_place(server, name)
    server.drop(name)


second_server_place = blank_server_place


@pytest.fixture(params=KINDS)
def blank(request, path):
    """A database of each kind with nothing in it."""
    return file_place(path) if request.param == "sqlite" else request.getfixturevalue("blank_server_place")


@pytest.fixture(params=KINDS)
def place(request):
    """A database of each kind with the schema and no row."""
    return request.getfixturevalue({"sqlite": "file", "postgresql": "wiped"}[request.param])


@pytest.fixture
def database(place, clock):
    with place.open(clock) as opened:
        yield opened


@pytest.fixture
def office(database):
    return found(database, "Larkmead Grounds")


@pytest.fixture
def other(database):
    return found(database, "Hollin Turf")
