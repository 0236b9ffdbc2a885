"""The feed while others write: who follows it hears of every commit, in order, once."""

import random
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import pytest
from sqlalchemy import text

from catchpan.contract.materials import MaterialRequest
from catchpan_service.store import materials, tables
from tests.store.office import do, found

WRITERS = 8


def follow(read, finished, pause=0.0):
    """What a reader saw that asks again and again for all beyond the last that it knows, to the end and once more."""
    seen, last = [], False
    while not last:
        last = finished.is_set()
        seen += read(seen[-1] if seen else 0)
        time.sleep(pause)
    return seen


def race(write, read, each):
    """What a reader saw while writers made ``each`` commits apiece."""
    finished = threading.Event()
    with ThreadPoolExecutor(WRITERS + 1) as threads:
        reader = threads.submit(follow, read, finished)
        for writer in [threads.submit(write, who, each) for who in range(WRITERS)]:
            writer.result()
        finished.set()
        return reader.result()


def positions(connection, organisation, after):
    changes = tables.changes.c
    mine = tables.changes.select().where(changes.organisation == organisation, changes.position > after)
    return [row.position for row in connection.execute(mine.order_by(changes.position, changes.n))]


def race_of(database, name, each):
    office = found(database, name)

    def write(who, count):
        for n in range(count):
            do(database, office, materials.add, MaterialRequest(name=f"{who} {n}"))

    seen = race(write, lambda after: database.read_now(positions, office.organisation, after), each)
    assert seen == list(range(1, 2 + WRITERS * each + 1))  # the organisation and its first key come before


@pytest.mark.parametrize(("races", "each"), [(2, 25), pytest.param(20, 150, marks=pytest.mark.long)])
def test_who_follows_eight_writers_misses_nothing_and_finds_no_gap(database, races, each):
    for n in range(races):
        race_of(database, f"Race {n}", each)


@pytest.mark.parametrize("each", [25, pytest.param(150, marks=pytest.mark.long)])
def test_who_follows_a_plain_sequence_misses_commits(own, each):
    """Why there is a counter: numbers of a sequence are given out in one order, and committed in another."""
    own.change("CREATE TABLE naive (number bigserial PRIMARY KEY, who integer)")

    def write(who, count):
        chance = random.Random(who)
        with own.outside.connect().execution_options(isolation_level="READ COMMITTED") as connection:
            for _ in range(count):
                connection.execute(text("INSERT INTO naive (who) VALUES (:who)"), {"who": who})
                time.sleep(chance.random() / 500)
                connection.commit()

    def read(after):
        return [number for (number,) in own.rows("SELECT number FROM naive WHERE number > :a ORDER BY number", a=after)]

    seen = race(write, read, each)
    stored = {number for (number,) in own.rows("SELECT number FROM naive")}
    assert len(stored) == WRITERS * each
    assert len(stored - set(seen)) > 0
