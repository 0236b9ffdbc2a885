"""Upgrades end at the models, lose no row, and leave alone what they do not know."""

import sqlite3
from contextlib import closing

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import create_engine, inspect, text
from sqlalchemy.exc import OperationalError

from catchpan_service.store import migrations, revisions
from catchpan_service.store.errors import SchemaMismatch
from catchpan_service.store.tables import metadata
from tests.store.office import do, draft, dump, found, open_database, profile


def plain(path):
    return create_engine(f"sqlite:///{path}")


def migrated(path):
    migrations.upgrade(path)
    return plain(path)


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
                (
                    index["name"],
                    index["column_names"],
                    index["unique"],
                    str(index["dialect_options"].get("sqlite_where")),
                )
                for index in found.get_indexes(table)
            ),
        }
        for table in sorted(metadata.tables)
    }


def test_an_upgrade_from_empty_equals_the_models(path):
    engine = migrated(path)
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True, "compare_server_default": True})
        assert compare_metadata(context, metadata) == []


def test_constraints_and_their_names_equal_the_models(path, tmp_path):
    models = plain(tmp_path / "models.sqlite")
    metadata.create_all(models)
    assert schema(migrated(path)) == schema(models)


def test_every_check_and_unique_rule_has_a_name(path):
    for table, rules in schema(migrated(path)).items():
        names = [name for name, *_ in rules["checks"] + rules["unique"] + rules["foreign"]]
        assert all(name and table in name for name in names)


def counts(path):
    with closing(sqlite3.connect(path)) as connection:
        return {
            table: connection.execute(f'SELECT count(*) FROM "{table}"').fetchone()[0]
            for (table,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
            if table in metadata.tables
        }


def fill(path):
    """Rows in every table that a revision of the schema has, by what its columns allow."""
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA foreign_keys=OFF")
        tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        for table in tables - {"alembic_version"} - set(FILLED_BY_HAND):
            raise AssertionError(f"say how {table} is filled")
        for table, row in FILLED_BY_HAND.items():
            if table not in tables:
                continue
            marks = ", ".join("?" for _ in row)
            connection.execute(
                f'INSERT INTO "{table}" ({", ".join(map(quoted, row))}) VALUES ({marks})', [*row.values()]
            )
        connection.commit()
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []


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
    "replicas": OWNED
    | {"branch": THING, "epoch": 1, "position": 1, "manifest": "sha256:0", "exceptions": "sha256:0"}
    | {"at": AT, "key": THING},
}


@pytest.mark.parametrize("revision", migrations.revisions())
def test_an_upgrade_of_a_filled_database_keeps_every_row(path, revision):
    migrations.upgrade(path, revision)
    fill(path)
    before = counts(path)
    migrations.upgrade(path)
    after = counts(path)
    assert {table: after[table] for table in before} == before
    assert set(before.values()) == {1}


def test_a_filled_database_still_reads_the_same_after_another_upgrade(path, clock):
    with open_database(path, clock) as database:
        office = found(database, "Larkmead Grounds")
        subject = profile(database, office)
        stored = do(database, office, revisions.add, subject, draft())
    migrations.upgrade(path)
    with open_database(path, clock, migrate=False) as database:
        assert database.read_now(revisions.get, office.organisation, subject, 1) == stored


def test_a_database_of_a_newer_version_is_refused_and_left_alone(path):
    migrations.upgrade(path)
    with plain(path).begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    for migrate in (True, False):
        with pytest.raises(SchemaMismatch, match="A newer version made this database"):
            open_database(path, migrate=migrate)
    with plain(path).connect() as connection:
        assert connection.execute(text("SELECT version_num FROM alembic_version")).scalar_one() == "9999"


def test_without_leave_to_migrate_an_empty_or_missing_file_is_refused(path):
    with pytest.raises(SchemaMismatch, match="There is no database"):
        open_database(path, migrate=False)
    assert not path.exists()
    path.touch()
    with pytest.raises(SchemaMismatch, match="schema of an older version"):
        open_database(path, migrate=False)


def test_an_upgrade_that_fails_leaves_the_file_as_it_was(path):
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE revisions (note TEXT)")
        connection.execute("INSERT INTO revisions VALUES ('kept')")
        connection.commit()
    before = dump(path)
    with pytest.raises(OperationalError, match="already exists"):
        migrations.upgrade(path)
    assert dump(path) == before


def test_a_row_that_refers_to_nothing_fails_the_upgrade_and_undoes_it(path):
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE sheds (id INTEGER PRIMARY KEY, town INTEGER REFERENCES towns (id))")
        connection.execute("CREATE TABLE towns (id INTEGER PRIMARY KEY)")
        connection.execute("INSERT INTO sheds VALUES (1, 7)")
        connection.commit()
    before = dump(path)
    with pytest.raises(SchemaMismatch, match="1 rows refer to nothing, in sheds"):
        migrations.upgrade(path)
    assert dump(path) == before


def test_a_database_that_is_up_to_date_is_left_alone(path):
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
