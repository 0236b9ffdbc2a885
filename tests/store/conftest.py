"""A real database file for each test, and two invented companies in it."""

import pytest

from tests.store.office import Clock, found, open_database


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def path(tmp_path):
    return tmp_path / "catchpan.sqlite"


@pytest.fixture
def database(path, clock):
    with open_database(path, clock) as opened:
        yield opened


@pytest.fixture
def office(database):
    return found(database, "Larkmead Grounds")


@pytest.fixture
def other(database):
    return found(database, "Hollin Turf")
