"""What must hold when things go wrong: races, a full disk, a killed process, repeated requests."""

import asyncio
import os
import signal
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from uuid import UUID

import pytest
from sqlalchemy.exc import OperationalError

from catchpan.contract.materials import MaterialRequest
from catchpan_service import admin
from catchpan_service.store import audit, materials
from catchpan_service.store.database import Order
from catchpan_service.store.errors import Stale, TransactionLost
from catchpan_service.store.writes import Written, local_owner
from tests.store.office import all_names, do, found, open_database, reply
from tests.store.places import file_place, wipe

TOP = Path(__file__).parents[2]


def add_one(connection, organisation, stamp, subject):
    """Read a number, and write it back one higher: what loses updates where nothing holds the row between."""
    kept = materials.get(connection, organisation, subject)
    request = MaterialRequest(name=kept.name, note=str(int(kept.note or 0) + 1))
    return materials.replace(connection, organisation, stamp, subject, request, {kept.version})


def test_400_read_then_write_transactions_of_16_threads_lose_nothing(database, office):
    subject = UUID(do(database, office, materials.add, MaterialRequest(name="Counted")).id)

    def work():
        return [do(database, office, add_one, subject).version for _ in range(25)]

    with ThreadPoolExecutor(16) as threads:
        answered = [version for task in [threads.submit(work) for _ in range(16)] for version in task.result()]
    kept = database.read_now(materials.get, office.organisation, subject)
    assert sorted(answered) == list(range(2, 402))
    assert (kept.note, kept.version) == ("400", 401)


def test_of_100_racers_for_one_version_one_wins(database, office):
    subject = UUID(do(database, office, materials.add, MaterialRequest(name="Contested")).id)

    async def race():
        return await asyncio.gather(
            *(
                database.write(
                    materials.replace,
                    Order(office, "PUT"),
                    subject,
                    MaterialRequest(name="Contested", note=f"racer {n}"),
                    {1},
                    reply=reply,
                )
                for n in range(100)
            ),
            return_exceptions=True,
        )

    outcomes = asyncio.run(race())
    lost = [outcome for outcome in outcomes if isinstance(outcome, Stale)]
    assert len(lost) == 99
    kept = database.read_now(materials.get, office.organisation, subject)
    assert {refusal.current for refusal in lost} == {kept}
    assert kept.version == 2


def test_on_a_full_disk_what_was_acknowledged_is_stored_and_nothing_else(path, clock):
    with open_database(path, clock) as database:
        office = found(database, "Larkmead Grounds")
        do(database, office, cap_pages, 40)
        acknowledged, refused = asyncio.run(save_in_rounds(database, office, rounds=30, each=64))
        do(database, office, cap_pages, 100_000)
        stored = all_names(database, office)
        assert database.read_now(audit.verify, office.organisation) == []
    assert sorted(stored) == sorted(acknowledged)
    assert acknowledged
    assert refused
    assert all("full" in str(error) for error in refused)
    with open_database(path, clock) as again:
        assert sorted(all_names(again, office)) == sorted(acknowledged)
        do(again, office, materials.add, MaterialRequest(name="There is room again"))


def cap_pages(connection, organisation, stamp, more):
    """Leave room for some more pages only: a disk that fills up."""
    pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
    connection.exec_driver_sql(f"PRAGMA max_page_count={pages + more}")
    return Written(None, ())


async def save_in_rounds(database, office, *, rounds, each):
    acknowledged, refused = [], []
    for n in range(rounds):
        lots = [f"Lot {n}-{m}" for m in range(each)]
        outcomes = await asyncio.gather(
            *(
                database.write(
                    materials.add, Order(office, "POST"), MaterialRequest(name=lot, note="x" * 1000), reply=reply
                )
                for lot in lots
            ),
            return_exceptions=True,
        )
        for lot, outcome in zip(lots, outcomes, strict=True):
            if isinstance(outcome, BaseException):
                refused.append(outcome)
            else:
                acknowledged.append(lot)
    return acknowledged, refused


def killed_after(place, count):
    """The saves that a process acknowledged before it was killed in the middle of its 200."""
    command = [sys.executable, "-m", "tests.store.writer", place.location, "200"]
    acknowledged = []
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=TOP) as process:
        for line in process.stdout:
            acknowledged.append(line.strip())
            if len(acknowledged) == count:
                os.kill(process.pid, signal.SIGKILL)
        assert process.wait() == -signal.SIGKILL
    return acknowledged


def assert_holds(place, clock, acknowledged):
    """Nothing that was acknowledged is missing, and no write is there in part."""
    if place.outside.dialect.name == "sqlite":
        assert place.rows("PRAGMA integrity_check") == [("ok",)]
        assert place.rows("PRAGMA foreign_key_check") == []
    with place.open(clock) as database:
        (office,) = admin.list_organisations(database)
        stored = all_names(database, local_owner(office.id, office.name, office.units))
        assert set(acknowledged) <= set(stored)
        (counted,) = place.rows("SELECT (SELECT count(*) FROM idempotency), (SELECT position FROM counters)")
        assert counted == (len(stored), len(stored) + 2)
        assert database.read_now(audit.verify, office.id) == []
        do_again = found(database, "Hollin Turf")
        do(database, do_again, materials.add, MaterialRequest(name="After the kill"))


@pytest.mark.parametrize("count", [1, 37, 120])
def test_after_a_kill_in_the_middle_of_200_saves_every_acknowledged_one_is_there(place, clock, count):
    acknowledged = killed_after(place, count)
    assert len(acknowledged) >= count
    assert_holds(place, clock, acknowledged)


@pytest.mark.long
def test_after_200_kills_every_acknowledged_save_is_there(tmp_path, clock):
    for n in range(200):
        place = file_place(tmp_path / f"{n}.sqlite")
        assert_holds(place, clock, killed_after(place, 1 + (n * 37) % 190))


@pytest.mark.long
def test_after_200_kills_every_acknowledged_save_is_on_the_server(shared, clock):
    for n in range(200):
        wipe(shared)
        assert_holds(shared, clock, killed_after(shared, 1 + (n * 37) % 190))


def test_of_50_parallel_requests_with_one_key_one_has_an_effect_and_all_hear_of_it(database, office):
    async def round_of(n):
        order = Order(office, "POST /v1/materials", f"key {n}", "sha256:aa")
        request = MaterialRequest(name=f"Round {n}")
        return await asyncio.gather(*(database.write(materials.add, order, request, reply=reply) for _ in range(50)))

    for n in range(20):
        assert len({told.body for told in asyncio.run(round_of(n))}) == 1
    assert sorted(all_names(database, office)) == sorted(f"Round {n}" for n in range(20))


def swallow(connection, organisation, stamp):
    """A write that goes on as if nothing had happened when the disk is full."""
    with suppress(OperationalError):
        for n in range(100):
            materials.add(connection, organisation, stamp, MaterialRequest(name=f"Large {n}", note="x" * 2000))
    return Written("stored", ())


def test_a_write_that_swallows_a_full_disk_is_not_acknowledged(path, clock):
    with open_database(path, clock) as database:
        office = found(database, "Larkmead Grounds")
        do(database, office, cap_pages, 2)
        with pytest.raises(TransactionLost):
            do(database, office, swallow)
        assert all_names(database, office) == []
        do(database, office, cap_pages, 1000)
        assert do(database, office, swallow) == "stored"
        assert len(all_names(database, office)) == 100
