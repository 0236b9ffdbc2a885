"""A real database file for each test, and two invented companies in it."""

import shutil

import pytest

from catchpan_service.store import migrations
from tests.store.office import Clock, found, open_database


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


@pytest.fixture
def database(path, empty, clock):
    shutil.copy(empty, path)
    with open_database(path, clock) as opened:
        yield opened


@pytest.fixture
def office(database):
    return found(database, "Larkmead Grounds")


@pytest.fixture
def other(database):
    return found(database, "Hollin Turf")
