"""Upgrades end at the models, lose no row, and leave alone what they do not know."""

import sqlite3
from contextlib import closing

import msgspec
import pytest
import rfc8785
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import inspect
from sqlalchemy.exc import OperationalError, ProgrammingError

from catchpan_service.store import migrations, revisions
from catchpan_service.store.errors import SchemaMismatch
from catchpan_service.store.tables import metadata
from tests.store.office import do, draft, found, open_database, profile
from tests.store.places import file_place


def schema(engine):
    """Names and texts of everything that the comparison of Alembic does not look at, too."""
    found = inspect(engine)
    return {
        table: {
            "checks": sorted((check["name"], check["sqltext"]) for check in found.get_check_constraints(table)),
            "unique": sorted((rule["name"], rule["column_names"]) for rule in found.get_unique_constraints(table)),
            "primary": found.get_pk_constraint(table),
            "foreign": sorted(
                (key["name"], key["constrained_columns"], key["referred_table"], key["referred_columns"])
                for key in found.get_foreign_keys(table)
            ),
            "indexes": sorted(
                (index["name"], index["column_names"], index["unique"], options(index))
                for index in found.get_indexes(table)
            ),
            "columns": sorted(
                (column["name"], repr(column["type"]), column["nullable"]) for column in found.get_columns(table)
            ),
        }
        for table in sorted(metadata.tables)
    }


def options(index):
    return [(name, str(said)) for name, said in sorted(index.get("dialect_options", {}).items())]


@pytest.fixture
def another(blank, tmp_path, request):
    """A second empty database of the same kind."""
    if blank.outside.dialect.name == "sqlite":
        return file_place(tmp_path / "another.sqlite")
    return request.getfixturevalue("second_server_place")


@pytest.fixture
def migrated(blank):
    migrations.upgrade(blank.place)
    return blank


def test_an_upgrade_from_empty_equals_the_models(migrated):
    with migrated.outside.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True, "compare_server_default": True})
        assert compare_metadata(context, metadata) == []


def test_constraints_and_their_names_equal_the_models(migrated, another):
    metadata.create_all(another.outside)
    assert schema(migrated.outside) == schema(another.outside)


def test_every_check_and_unique_rule_has_a_name(migrated):
    for table, rules in schema(migrated.outside).items():
        names = [name for name, *_ in rules["checks"] + rules["unique"] + rules["foreign"]]
        assert all(name and table in name for name in names)


def counts(place):
    there = inspect(place.outside).get_table_names()
    return {table: place.rows(f'SELECT count(*) FROM "{table}"')[0][0] for table in there if table in metadata.tables}


def fill(place, **altered):
    """Rows in every table that a revision of the schema has, by what its columns allow."""
    tables = set(inspect(place.outside).get_table_names())
    assert not tables - {"alembic_version", *FILLED_BY_HAND}, "say how these are filled"
    mark = "?" if place.outside.dialect.name == "sqlite" else "%s"
    with place.outside.begin() as connection:
        for table in [one for one in FILLED_BY_HAND if one in tables]:
            row = FILLED_BY_HAND[table] | altered.get(table, {})
            marks = ", ".join(mark for _ in row)
            statement = f'INSERT INTO "{table}" ({", ".join(map(quoted, row))}) VALUES ({marks})'
            connection.exec_driver_sql(statement, tuple(row.values()))


def quoted(name):
    return f'"{name}"'


ORGANISATION, THING, AT = "a" * 32, "b" * 32, "2026-03-02 07:00:00.000000"
OWNED = {"organisation": ORGANISATION}
DOCUMENT = OWNED | {"id": THING, "version": 1, "name": "One", "body": b"{}", "created": AT, "changed": AT}
FILLED_BY_HAND = {
    "organisations": OWNED | {"name": "Larkmead Grounds", "units": "us", "created": AT},
    "counters": OWNED | {"epoch": 1, "position": 1, "chain_head": "0" * 64},
    "changes": OWNED | {"position": 1, "n": 0, "kind": "organisation", "id": ORGANISATION, "event": "added"},
    "audit": OWNED
    | {"position": 1, "at": AT, "key": THING, "operation": "x", "subjects": "[]", "previous": "0", "hash": "0"},
    "idempotency": OWNED
    | {"key": "k", "operation": "x", "request_digest": "d", "status": 201, "body": b"{}", "at": AT},
    "keys": OWNED | {"id": THING, "name": "office", "hash": "0" * 64, "role": "owner", "created": AT},
    "materials": DOCUMENT,
    "machine_kinds": DOCUMENT,
    "profiles": OWNED
    | {"id": THING, "version": 1, "material": THING, "machine_kind": THING, "name": "One", "latest": 1}
    | {"created": AT, "changed": AT},
    "contents": OWNED | {"digest": "sha256:0", "body": b"{}", "created": AT},
    "revisions": OWNED
    | {"profile": THING, "number": 1, "version": 1, "state": "draft", "digest": "sha256:0", "author": "office"}
    | {"note": "", "findings": b"[]", "created": AT, "changed": AT},
    "branches": DOCUMENT,
    "machines": DOCUMENT | {"branch": THING, "machine_kind": THING},
    "holdings": OWNED
    | {"target_kind": "branch", "target": THING, "branch": THING, "profile": THING, "number": 1}
    | {"digest": "sha256:0", "entry": b"{}", "from_position": 1},
    "unsafe": OWNED | {"profile": THING, "number": 1, "digest": "sha256:0", "position": 1},
    "signers": OWNED | {"number": 1, "seed": b"s" * 32, "key": "k", "created": AT},
    "webhooks": OWNED | {"id": THING, "url": "https://x.example/", "events": b"[]", "secret": "whsec_", "created": AT},
    "deliveries": OWNED
    | {"id": THING, "webhook": THING, "type": "x.y", "body": b"{}", "made": AT, "attempts": 0, "due": AT},
    "commissionings": OWNED
    | {"machine": THING, "number": 1, "done": AT, "due": AT, "body": b"{}", "recorded": AT, "recorded_by": "office"},
    "running": OWNED
    | {"id": THING, "machine": THING, "profile": THING, "number": 1, "digest": "sha256:0", "at": AT, "by": "R. Example"}
    | {"received": AT},
    "corrections": OWNED
    | {"id": THING, "profile": THING, "number": 1, "lot": "L1", "entry": b"{}", "from_position": 1},
    "checks": OWNED
    | {"machine": THING, "number": 1, "id": THING, "branch": THING, "profile": THING, "revision": 1, "material": THING}
    | {"digest": "sha256:0", "at": AT, "month": "2026-03", "body": b"{}", "correction": 1.0, "recorded": AT}
    | {"recorded_by": "office"},
    "rollouts": OWNED
    | {"id": THING, "version": 1, "profile": THING, "number": 1, "digest": "sha256:0", "phase": "taking_up"}
    | {"wave": 1, "since": AT, "why": "", "body": b"{}", "created": AT, "created_by": "office", "changed": AT},
    "rollout_machines": OWNED | {"rollout": THING, "machine": THING, "wave": 1},
    "replicas": OWNED
    | {"branch": THING, "epoch": 1, "position": 1, "manifest": "sha256:0", "exceptions": "sha256:0"}
    | {"at": AT, "key": THING},
}


@pytest.mark.parametrize("revision", migrations.revisions())
def test_an_upgrade_of_a_filled_database_keeps_every_row(blank, revision):
    migrations.upgrade(blank.place, revision)
    fill(blank)
    before = counts(blank)
    migrations.upgrade(blank.place)
    after = counts(blank)
    assert {table: after[table] for table in before} == before
    assert set(before.values()) == {1}


def test_what_was_released_before_there_were_holdings_is_held_after_the_upgrade(blank):
    migrations.upgrade(blank.place, "0001")
    fill(blank, revisions={"state": "released", "released": AT, "reason": "checked", "check_due": AT})
    migrations.upgrade(blank.place)
    ((kind, number, digest, entry, begins, ends),) = blank.rows(
        "SELECT target_kind, number, digest, entry, from_position, to_position FROM holdings"
    )
    assert (kind, number, digest, begins, ends) == ("organisation", 1, "sha256:0", 1, None)
    told = msgspec.json.decode(bytes(entry))
    assert (told["state"], told["number"], told["name"], told["check_due"]) == (
        "released",
        1,
        "One",
        "2026-03-02T07:00:00Z",
    )
    assert bytes(entry) == rfc8785.dumps(told)
    assert len(blank.rows("SELECT key FROM signers")) == 1


def test_a_filled_database_still_reads_the_same_after_another_upgrade(blank, clock):
    with blank.open(clock) as database:
        office = found(database, "Larkmead Grounds")
        subject = profile(database, office)
        stored = do(database, office, revisions.add, subject, draft())
    migrations.upgrade(blank.place)
    with blank.open(clock, migrate=False) as database:
        assert database.read_now(revisions.get, office.organisation, subject, 1) == stored


def test_a_database_of_a_newer_version_is_refused_and_left_alone(migrated):
    migrated.change("UPDATE alembic_version SET version_num = '9999'")
    for migrate in (True, False):
        with pytest.raises(SchemaMismatch, match="A newer version made this database"):
            migrated.open(migrate=migrate)
    assert migrated.rows("SELECT version_num FROM alembic_version") == [("9999",)]


def test_without_leave_to_migrate_an_empty_database_is_refused(blank, path):
    path.touch()
    with pytest.raises(SchemaMismatch, match="schema of an older version"):
        blank.open(migrate=False)
    assert inspect(blank.outside).get_table_names() == []


def test_without_leave_to_migrate_a_missing_file_is_refused(path):
    with pytest.raises(SchemaMismatch, match="There is no database"):
        open_database(path, migrate=False)
    assert not path.exists()


def test_an_upgrade_that_fails_leaves_the_database_as_it_was(blank):
    blank.change("CREATE TABLE revisions (note TEXT)", "INSERT INTO revisions VALUES ('kept')")
    with pytest.raises((OperationalError, ProgrammingError), match="already exists"):
        migrations.upgrade(blank.place)
    assert inspect(blank.outside).get_table_names() == ["revisions"]
    assert blank.rows("SELECT note FROM revisions") == [("kept",)]


def test_a_row_that_refers_to_nothing_fails_the_upgrade_and_undoes_it(path):
    place = file_place(path)
    place.change(
        "CREATE TABLE sheds (id INTEGER PRIMARY KEY, town INTEGER REFERENCES towns (id))",
        "CREATE TABLE towns (id INTEGER PRIMARY KEY)",
        "INSERT INTO sheds VALUES (1, 7)",
    )
    with pytest.raises(SchemaMismatch, match="1 rows refer to nothing, in sheds"):
        migrations.upgrade(path)
    assert inspect(place.outside).get_table_names() == ["sheds", "towns"]
    assert place.rows("SELECT id, town FROM sheds") == [(1, 7)]


def test_a_file_that_is_up_to_date_is_left_alone(path):
    migrations.upgrade(path)
    before = path.read_bytes()
    migrations.upgrade(path)
    assert path.read_bytes() == before


def test_the_file_is_made_with_large_pages_a_log_and_for_its_owner_alone(path):
    migrations.upgrade(path)
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA page_size").fetchone() == (16384,)
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert path.stat().st_mode & 0o077 == 0
