"""What the administrator does on the database itself, and the trace it leaves."""

from uuid import UUID

import pytest
from uuid_utils.compat import uuid7

from catchpan.contract.organisations import Role
from catchpan_service import admin
from catchpan_service.store import audit
from catchpan_service.store.errors import Conflict, NotFound
from catchpan_service.store.writes import LOCAL_KEY
from tests.store.office import NAMES


def test_organisations_are_listed_by_name(database):
    made = [admin.add_organisation(database, name, units="si", new_id=uuid7) for name in reversed(NAMES)]
    listed = admin.list_organisations(database)
    assert [one.name for one in listed] == NAMES == sorted(NAMES)
    assert sorted(listed, key=lambda one: one.id) == made
    assert {one.units for one in listed} == {"si"}


def test_a_name_is_used_once_and_a_refusal_leaves_nothing(database, place):
    first = admin.add_organisation(database, "Wold", units="us", new_id=uuid7)
    before = place.dump()
    with pytest.raises(Conflict, match="is called Wold") as refused:
        admin.add_organisation(database, "Wold", units="si", new_id=uuid7)
    assert refused.value.existing == str(first.id)
    assert place.dump() == before


def test_an_organisation_that_is_not_there_is_named(database):
    for act in (
        lambda: admin.create_key(database, "Nowhere", "x", role=Role.OWNER),
        lambda: admin.list_keys(database, "Nowhere"),
        lambda: admin.revoke_key(database, "Nowhere", UUID(int=1)),
    ):
        with pytest.raises(NotFound, match="There is no organisation Nowhere"):
            act()


def test_keys_are_listed_in_the_order_they_were_made_without_secrets(database):
    admin.add_organisation(database, "Wold", units="us", new_id=uuid7)
    made = [admin.create_key(database, "Wold", name, role=Role.READER) for name in ("b", "a", "c")]
    listed = admin.list_keys(database, "Wold")
    assert listed == [new.key for new in made]
    assert not any(new.secret in repr(listed) for new in made)


def test_every_act_leaves_an_audit_row_of_nobodys_key(database, place):
    organisation = admin.add_organisation(database, "Wold", units="us", new_id=uuid7)
    made = admin.create_key(database, "Wold", "office", role=Role.OWNER)
    admin.revoke_key(database, "Wold", made.key.id)
    rows = place.rows("SELECT position, key, operation, subjects FROM audit ORDER BY position")
    assert [(position, UUID(str(key)), operation) for position, key, operation, _ in rows] == [
        (1, LOCAL_KEY, "organisation add"),
        (2, LOCAL_KEY, "key create"),
        (3, LOCAL_KEY, "key revoke"),
    ]
    assert [subjects for *_, subjects in rows] == [
        f'[["organisation","{organisation.id}","added",null]]',
        f'[["key","{made.key.id}","added",null]]',
        f'[["key","{made.key.id}","revoked",null]]',
    ]
    assert database.read_now(audit.verify, organisation.id) == []
