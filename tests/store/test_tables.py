"""Rules that every table keeps, whoever adds one."""

from datetime import datetime

import pytest
from sqlalchemy import ForeignKeyConstraint, LargeBinary, String, UniqueConstraint
from sqlalchemy.exc import IntegrityError

from catchpan_service.store import revisions, tables
from catchpan_service.store.tables import Moment, metadata
from tests.store.office import do, draft, profile

# The administrator's own list of organisations: nobody else reads or writes it.
OUTSIDE = {("organisations", ("name",))}


@pytest.mark.parametrize("table", metadata.sorted_tables, ids=str)
def test_every_key_begins_with_the_organisation(table):
    keys = [tuple(table.primary_key.columns.keys())]
    rules = [rule for rule in table.constraints if isinstance(rule, ForeignKeyConstraint | UniqueConstraint)]
    keys += [tuple(rule.columns.keys()) for rule in rules]
    keys += [tuple(index.columns.keys()) for index in table.indexes if index.unique]
    inside = [key for key in keys if (table.name, key) not in OUTSIDE]
    assert {key[0] for key in inside} == {"organisation"}


@pytest.mark.parametrize("table", metadata.sorted_tables, ids=str)
def test_a_reference_keeps_the_organisation(table):
    for rule in table.foreign_key_constraints:
        assert next(iter(rule.elements)).column.name == "organisation"


@pytest.mark.parametrize("table", metadata.sorted_tables, ids=str)
def test_names_fit_into_every_database(table):
    names = [rule.name for rule in (*table.constraints, *table.indexes)]
    assert all(len(str(name)) <= 63 for name in names)


def test_an_instant_without_a_zone_is_refused():
    with pytest.raises(ValueError, match="without a zone"):
        Moment().process_bind_param(datetime(2026, 3, 2), None)  # noqa: DTZ001


@pytest.fixture
def released(database, office):
    subject = profile(database, office)
    for number in (1, 2):
        do(database, office, revisions.add, subject, draft(str(number)))
    do(database, office, revisions.release, subject, 1, None, "checked")
    return subject


@pytest.mark.parametrize(
    ("values", "rule"),
    [
        ({"state": "released", "reason": "x", "released": "created"}, r"revisions.profile|ix_revisions_released"),
        ({"state": "finished"}, "ck_revisions_state"),
        ({"state": "withdrawn"}, "ck_revisions_withdrawn"),
        ({"version": 0}, "ck_revisions_version"),
        ({"parent": 2}, "ck_revisions_number"),
        ({"parent": 3}, "ck_revisions_number"),
        ({"digest": "sha256:none"}, "FOREIGN KEY|fk_revisions_contents"),
    ],
)
def test_the_database_itself_refuses_what_no_rule_would_write(database, office, released, values, rule):
    table = tables.revisions

    def force(connection, organisation, stamp):
        given = {name: table.c.created if value == "created" else value for name, value in values.items()}
        connection.execute(table.update().where(table.c.number == 2).values(**given))

    with pytest.raises(IntegrityError, match=rule):
        do(database, office, force)


def test_text_and_bytes_have_no_length_that_databases_would_treat_differently():
    for table in metadata.sorted_tables:
        for column in table.columns:
            if isinstance(column.type, String | LargeBinary):
                assert column.type.length is None
