"""An office in this process, the key of one of its branches, and that branch's copy."""

from datetime import UTC, datetime

import pytest

from catchpan.replica import Replica
from tests.releases import draft, release
from tests.scenario import season, serving
from tests.sdk.replica.shed import Between, client_of


class Clock:
    """Stands still until it is moved."""

    def __init__(self):
        self.now = datetime(2031, 4, 7, 6, tzinfo=UTC)

    def __call__(self):
        return self.now


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def web(tmp_path, clock):
    (tmp_path / "office").mkdir()
    with serving(tmp_path / "office", clock=clock) as made:
        yield made


@pytest.fixture
def client(web):
    with client_of(web) as made:
        yield made


@pytest.fixture
def between(web):
    with client_of(web, kind=Between) as made:
        yield made


@pytest.fixture
def path(tmp_path):
    return tmp_path / "shed.replica"


@pytest.fixture
def replica(path, clock):
    with Replica(path, clock=clock) as made:
        yield made


@pytest.fixture
def carried(web, client, replica, tmp_path):
    for number in range(2):
        ours = season(web, name=f"{number} ")
        release(web, ours, draft(web, ours, f"note {number}"))
    replica.pull(client)
    replica.export(tmp_path / "north.bundle")
    return tmp_path / "north.bundle"
