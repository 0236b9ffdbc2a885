"""One home for the bookkeeping of every write: idempotency, position, changes, audit chain; and dry runs."""

import asyncio
import threading
import time
from datetime import UTC, datetime, timedelta, timezone
from uuid import UUID

import msgspec
import pytest
from sqlalchemy.exc import DBAPIError

from catchpan.contract.materials import MaterialRequest
from catchpan_service.store import idempotency, materials, revisions, tables
from catchpan_service.store.database import Order, Reply
from catchpan_service.store.errors import Busy, Closed, Conflict, KeyReused, NotFound
from catchpan_service.store.writes import Written
from tests.store.office import do, draft, found, profile, reply

GRANULES = MaterialRequest(name="Granules 16-4-8")


def write(database, order, function, *args):
    return asyncio.run(database.write(function, order, *args, reply=reply))


def test_a_write_takes_one_position_and_lists_its_changes(database, place, office):
    before = place.rows("SELECT position FROM counters")[0][0]
    subject = profile(database, office)
    do(database, office, revisions.add, subject, draft())
    listed = place.rows(
        "SELECT position, n, kind, event FROM changes WHERE position > :p ORDER BY position, n", p=before
    )
    assert [(position - before, *said) for position, *said in listed] == [
        (1, 0, "material", "added"),
        (2, 0, "machine_kind", "added"),
        (3, 0, "profile", "added"),
        (4, 0, "revision", "added"),
        (4, 1, "profile", "changed"),
    ]
    assert place.rows("SELECT position FROM counters")[0][0] == before + 4


def test_each_organisation_counts_for_itself(database, place, office, other):
    for _ in range(3):
        profile(database, office)
    positions = dict(place.rows("SELECT name, position FROM counters JOIN organisations USING (organisation)"))
    assert positions == {"Larkmead Grounds": 2 + 9, "Hollin Turf": 2}


def test_a_write_that_changes_nothing_leaves_no_trace(database, place, office):
    stored = do(database, office, materials.add, GRANULES)
    before = place.dump()
    do(database, office, materials.replace, UUID(stored.id), GRANULES, {1})
    assert place.dump() == before


def test_the_same_request_with_the_same_key_gets_the_same_reply_and_has_one_effect(database, place, office):
    order = Order(office, "POST /v1/materials", "key-1", "sha256:aa")
    first = write(database, order, materials.add, GRANULES)
    before = place.dump()
    assert write(database, order, materials.add, GRANULES) == first
    assert place.dump() == before


def test_etag_and_location_are_remembered_with_the_reply(database, office):
    order = Order(office, "POST /v1/materials", "key-1", "sha256:aa")

    def told(stored):
        return Reply(201, msgspec.json.encode(stored), f'"{stored.version}"', f"/v1/materials/{stored.id}")

    first = asyncio.run(database.write(materials.add, order, GRANULES, reply=told))
    again = asyncio.run(database.write(materials.add, order, GRANULES, reply=reply))
    assert again == first
    assert again.location is not None


@pytest.mark.parametrize(
    ("operation", "digest"), [("POST /v1/materials", "sha256:bb"), ("POST /v1/other", "sha256:aa")]
)
def test_a_key_that_went_with_another_request_is_refused(database, place, office, operation, digest):
    write(database, Order(office, "POST /v1/materials", "key-1", "sha256:aa"), materials.add, GRANULES)
    before = place.dump()
    with pytest.raises(KeyReused, match="used for another request"):
        write(database, Order(office, operation, "key-1", digest), materials.add, MaterialRequest(name="Other"))
    assert place.dump() == before


def test_two_organisations_may_choose_the_same_key(database, office, other):
    order = Order(office, "POST /v1/materials", "key-1", "sha256:aa")
    theirs = Order(other, "POST /v1/materials", "key-1", "sha256:bb")
    first = write(database, order, materials.add, GRANULES)
    assert write(database, theirs, materials.add, GRANULES) != first


def test_a_refusal_is_not_remembered(database, place, office):
    do(database, office, materials.add, GRANULES)
    before = place.dump()
    order = Order(office, "POST /v1/materials", "key-1", "sha256:aa")
    with pytest.raises(Conflict):
        write(database, order, materials.add, GRANULES)
    assert place.dump() == before
    assert write(database, order, materials.add, MaterialRequest(name="Free")).status == 201


def test_answers_are_forgotten_after_their_time(database, place, office, clock):
    write(database, Order(office, "POST", "old", "sha256:aa"), materials.add, GRANULES)
    clock.wait(days=idempotency.KEPT.days, seconds=1)
    write(database, Order(office, "POST", "new", "sha256:aa"), materials.add, MaterialRequest(name="New"))
    for n in range(100):
        do(database, office, materials.add, MaterialRequest(name=f"More {n}"))
    assert place.rows("SELECT key FROM idempotency") == [("new",)]


def test_a_dry_run_answers_like_the_real_one_and_changes_nothing(database, place, office):
    subject = profile(database, office)
    do(database, office, revisions.add, subject, draft())
    before = place.dump()
    dry = Order(office, "POST", "key-1", "sha256:aa", dry_run=True)
    wet = Order(office, "POST", "key-1", "sha256:aa")
    args = (revisions.release, subject, 1, {1}, "checked on three machines")
    told = write(database, dry, *args)
    assert place.dump() == before
    real = write(database, wet, *args)
    assert (told.status, without_times(told)) == (real.status, without_times(real))


def test_a_dry_run_does_not_look_at_the_key(database, office):
    write(database, Order(office, "POST", "key-1", "sha256:aa"), materials.add, GRANULES)
    dry = Order(office, "POST", "key-1", "sha256:bb", dry_run=True)
    told = write(database, dry, materials.add, MaterialRequest(name="Another"))
    assert msgspec.json.decode(told.body)["name"] == "Another"


def without_times(told):
    said = msgspec.json.decode(told.body)
    return {name: value for name, value in said.items() if name not in {"changed", "released", "check_due"}}


def test_a_dry_run_is_refused_like_the_real_one(database, place, office):
    do(database, office, materials.add, GRANULES)
    before = place.dump()
    with pytest.raises(Conflict, match="is called Granules 16-4-8"):
        write(database, Order(office, "POST", dry_run=True), materials.add, GRANULES)
    assert place.dump() == before


def test_a_dry_run_beside_real_writes_of_one_group_undoes_only_itself(database, office):
    async def both():
        orders = [Order(office, "POST", dry_run=n % 2 == 1) for n in range(40)]
        requests = [MaterialRequest(name=f"Lot {n:02}") for n in range(40)]
        await asyncio.gather(
            *(
                database.write(materials.add, order, request, reply=reply)
                for order, request in zip(orders, requests, strict=True)
            )
        )

    asyncio.run(both())
    names = [item.name for item in database.read_now(materials.page, office.organisation).items]
    assert sorted(names) == [f"Lot {n:02}" for n in range(0, 40, 2)]


def test_a_failing_write_undoes_only_itself(database, office):
    def fail(connection, organisation, stamp, name):
        materials.add(connection, organisation, stamp, MaterialRequest(name=name))
        raise ArithmeticError(name)

    async def mixed():
        writes = [
            database.write(fail, Order(office, "POST"), f"Bad {n}", reply=reply)
            if n % 3 == 0
            else database.write(materials.add, Order(office, "POST"), MaterialRequest(name=f"Good {n}"), reply=reply)
            for n in range(30)
        ]
        return await asyncio.gather(*writes, return_exceptions=True)

    outcomes = asyncio.run(mixed())
    assert [isinstance(outcome, ArithmeticError) for outcome in outcomes] == [n % 3 == 0 for n in range(30)]
    names = {item.name for item in database.read_now(materials.page, office.organisation, None, 200).items}
    assert names == {f"Good {n}" for n in range(30) if n % 3}


def test_a_caller_who_leaves_does_not_take_the_write_back(database, office):
    begun, go_on = threading.Event(), threading.Event()

    def slow(connection, organisation, stamp):
        begun.set()
        go_on.wait(10)
        return materials.add(connection, organisation, stamp, GRANULES)

    async def leave():
        task = asyncio.create_task(database.write(slow, Order(office, "POST"), reply=reply))
        waiting = asyncio.create_task(
            database.write(materials.add, Order(office, "POST"), MaterialRequest(name="Behind"), reply=reply)
        )
        await asyncio.to_thread(begun.wait, 10)
        task.cancel()
        waiting.cancel()
        results = await asyncio.gather(task, waiting, return_exceptions=True)
        go_on.set()
        return results

    assert [type(result) for result in asyncio.run(leave())] == [asyncio.CancelledError] * 2
    do(database, office, materials.add, MaterialRequest(name="Last"))
    wanted, ends = {GRANULES.name, "Behind", "Last"}, time.monotonic() + 20
    while True:  # nobody waits for the two who left, so the last write may be stored before theirs
        names = {item.name for item in database.read_now(materials.page, office.organisation).items}
        if names == wanted or time.monotonic() > ends:
            break
        time.sleep(0.05)
    assert names == wanted


def test_one_write_too_many_is_refused_and_told_when_to_come_back(place):
    with place.open(room=2, connections=1) as database:
        office = found(database, "Larkmead Grounds")
        begun, go_on = threading.Event(), threading.Event()

        def slow(connection, organisation, stamp):
            begun.set()
            go_on.wait(10)
            return Written(None, ())

        async def crowd():
            order = Order(office, "POST")
            first = asyncio.create_task(database.write(slow, order, reply=reply))
            await asyncio.to_thread(begun.wait, 10)
            others = [
                asyncio.create_task(database.write(materials.add, order, MaterialRequest(name=f"Lot {n}"), reply=reply))
                for n in range(3)
            ]
            await asyncio.sleep(0)
            go_on.set()
            return await asyncio.gather(first, *others, return_exceptions=True)

        outcomes = asyncio.run(crowd())
    assert [type(outcome) for outcome in outcomes] == [Reply, Reply, Reply, Busy]
    assert outcomes[-1].retry_after >= 1


def test_reads_cannot_write(database, office):
    with pytest.raises(DBAPIError, match=r"readonly database|read-only transaction"):
        database.read_now(lambda connection, _: connection.execute(tables.materials.delete()), office.organisation)


def test_a_read_sees_one_snapshot(database, office):
    def twice(connection, organisation):
        before = materials.page(connection, organisation)
        do(database, office, materials.add, GRANULES)
        return before, materials.page(connection, organisation)

    before, after = database.read_now(twice, office.organisation)
    assert before == after
    assert len(database.read_now(materials.page, office.organisation).items) == 1


def test_closing_finishes_the_writes_that_wait(place, clock):
    database = place.open(clock)
    office = found(database, "Larkmead Grounds")
    order = Order(office, "POST")

    async def fill_and_close():
        waiting = [
            asyncio.create_task(database.write(materials.add, order, MaterialRequest(name=f"Lot {n}"), reply=reply))
            for n in range(20)
        ]
        await asyncio.sleep(0)
        await asyncio.to_thread(database.close)
        stored = place.rows("SELECT count(*) FROM materials")
        return stored, await asyncio.gather(*waiting)

    stored, told = asyncio.run(fill_and_close())
    assert stored == [(20,)]
    assert {answer.status for answer in told} == {201}


def test_a_closed_database_says_so(place, clock):
    database = place.open(clock)
    office = found(database, "Larkmead Grounds")
    database.close()
    database.close()
    with pytest.raises(Closed):
        do(database, office, materials.add, GRANULES)
    with pytest.raises(Closed):
        database.read_now(materials.page, office.organisation)


def test_instants_are_utc_in_whole_milliseconds(place):
    east = timezone(timedelta(hours=5, minutes=30))
    with place.open(lambda: datetime(2026, 3, 2, 12, 30, 0, 123_999, tzinfo=east)) as database:
        office = found(database, "Larkmead Grounds")
        stored = do(database, office, materials.add, GRANULES)
        read = database.read_now(materials.get, office.organisation, UUID(stored.id))
    assert read.created == stored.created == datetime(2026, 3, 2, 7, 0, 0, 123_000, tzinfo=UTC)
    assert read.created.utcoffset() == timedelta(0)


def test_a_missing_thing_is_refused_on_reading(database, office):
    with pytest.raises(NotFound, match="There is no material") as refused:
        database.read_now(materials.get, office.organisation, office.key)
    assert (refused.value.kind, refused.value.field) == ("material", "")
