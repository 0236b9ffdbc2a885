"""A row of the audit chain that is removed, altered or moved is named."""

from datetime import UTC, datetime
from uuid import UUID

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import update

from catchpan.contract.materials import MaterialRequest
from catchpan.digest import digest
from catchpan_service.store import audit, materials, tables
from catchpan_service.store.audit import Break, Entry
from catchpan_service.store.feed import GENESIS
from tests.store.office import do, found

KEPT = 12


@pytest.fixture
def chained(place, clock):
    """A closed database whose one company has a chain of 12 rows, and that company."""
    with place.open(clock) as database:
        office = found(database, "Larkmead Grounds")
        for n in range(KEPT - 2):
            do(database, office, materials.add, MaterialRequest(name=f"Lot {n}"))
    return office.organisation


def verify(place, clock, organisation):
    with place.open(clock) as database:
        return database.read_now(audit.verify, organisation)


def test_a_chain_that_nobody_touched_holds(place, clock, chained):
    assert verify(place, clock, chained) == []


@pytest.mark.parametrize("position", [1, 5, KEPT - 1])
def test_a_removed_row_is_named(place, clock, chained, position):
    place.change(f"DELETE FROM audit WHERE position = {position}")
    assert verify(place, clock, chained)[0] == Break(position, f"rows are missing before {position + 1}")


def test_a_tail_that_was_cut_off_is_named(place, clock, chained):
    place.change("DELETE FROM audit WHERE position > 9")
    assert verify(place, clock, chained) == [Break(10, f"rows are missing up to the end at {KEPT}")]


def test_a_chain_that_was_removed_whole_is_named(place, clock, chained):
    place.change("DELETE FROM audit")
    assert verify(place, clock, chained) == [Break(1, f"rows are missing up to the end at {KEPT}")]


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("at", "'2026-03-02 07:00:00.000001'"),
        ("key", "'" + "c" * 32 + "'"),
        ("operation", "'key list'"),
        ("subjects", "'[]'"),
        ("previous", f"'{GENESIS}'"),
        ("hash", f"'{GENESIS}'"),
    ],
)
def test_an_altered_row_is_named_whatever_was_altered(place, clock, chained, column, value):
    place.change(f'UPDATE audit SET "{column}" = {value} WHERE position = 5')
    assert verify(place, clock, chained)[0] == Break(5, "the row was altered")


def test_rows_that_changed_places_are_named(place, clock, chained):
    place.change(
        "UPDATE audit SET position = 99 WHERE position = 4",
        "UPDATE audit SET position = 4 WHERE position = 7",
        "UPDATE audit SET position = 7 WHERE position = 99",
    )
    assert {4, 7} <= {found.position for found in verify(place, clock, chained)}


def test_a_row_that_was_rewritten_with_a_fitting_hash_breaks_the_next_one(place, clock, chained):
    with place.open(clock) as database:
        entry, _ = database.read_now(lambda *of: list(audit._entries(*of))[4], chained)
    forged = Entry(**vars(entry) | {"operation": "nothing happened"})
    place.change(f"UPDATE audit SET operation = 'nothing happened', hash = '{forged.hash()}' WHERE position = 5")
    assert verify(place, clock, chained) == [Break(6, "the row does not follow the one before it")]


def test_a_forged_last_row_does_not_fit_the_counter(place, clock, chained):
    with place.open(clock) as database:
        entry, _ = database.read_now(lambda *of: list(audit._entries(*of))[-1], chained)
    forged = Entry(**vars(entry) | {"operation": "nothing happened"})
    place.change(f"UPDATE audit SET operation = 'nothing happened', hash = '{forged.hash()}' WHERE position = {KEPT}")
    assert verify(place, clock, chained) == [Break(KEPT, "the chain does not end where the counter says")]


def test_the_chain_of_another_organisation_is_not_looked_at(database, place, office, other):
    place.change(update(tables.audit).where(tables.audit.c.organisation == other.organisation).values(operation="x"))
    assert database.read_now(audit.verify, office.organisation) == []
    assert len(database.read_now(audit.verify, other.organisation)) == 2


def test_a_row_says_who_did_what_to_which_content(database, place, office):
    stored = do(database, office, materials.add, MaterialRequest(name="Granules"))
    (key, operation, subjects), *_ = place.rows("SELECT key, operation, subjects FROM audit ORDER BY position DESC")
    assert (UUID(str(key)), operation) == (office.key, "test")
    assert subjects == f'[["material","{stored.id}","added","{digest(b"""{"name":"Granules"}""")}"]]'


@given(operation=st.text(st.characters(codec="utf-8")), position=st.integers(1, 2**53 - 1), moment=st.datetimes())
def test_what_is_hashed_is_the_canonical_json_of_the_row(operation, position, moment):
    from hashlib import sha256

    at = moment.replace(tzinfo=UTC)
    entry = Entry(UUID(int=1), position, at, UUID(int=2), operation, "[]", GENESIS)
    document = {
        "organisation": str(UUID(int=1)),
        "position": position,
        "at": at.isoformat(timespec="microseconds"),
        "key": str(UUID(int=2)),
        "operation": operation,
        "subjects": "[]",
        "previous": GENESIS,
    }
    assert entry.hash() == sha256(rfc8785.dumps(document)).hexdigest()
    assert datetime.fromisoformat(document["at"]) == at
