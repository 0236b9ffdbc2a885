"""Row-level security on PostgreSQL: the second fence, behind the organisation that every query names.

It is put up around every table after each upgrade of the schema, so that no revision of the schema can forget it. It
binds whoever is no superuser, the owner of the tables too; what it lets through are the rows of the organisation that
the transaction names, none if it names none, and the key whose hash was presented, with its organisation.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from sqlalchemy import Connection, inspect, text
from sqlalchemy.exc import ProgrammingError

from catchpan_service.store.errors import Unfenced
from catchpan_service.store.tables import metadata

TENANT: Final = "catchpan_tenant"  # taken up by every transaction
ADMINISTRATOR: Final = "catchpan_administrator"  # the same, and may list the organisations

_OWN: Final = "organisation = nullif(current_setting('catchpan.organisation', true), '')::uuid"
_PRESENTED: Final = "hash = nullif(current_setting('catchpan.presented', true), '')"
_OF_PRESENTED: Final = f"organisation IN (SELECT k.organisation FROM keys AS k WHERE k.{_PRESENTED})"  # noqa: S608
_MORE: Final = {
    "keys": [f"CREATE POLICY presented ON keys FOR SELECT USING ({_PRESENTED})"],
    "organisations": [
        f"CREATE POLICY presented ON organisations FOR SELECT USING ({_OF_PRESENTED})",
        f"CREATE POLICY listed ON organisations FOR SELECT TO {ADMINISTRATOR} USING (true)",
    ],
}
READ_AND_ADD: Final = frozenset({"audit"})  # nobody who serves requests can change what was written there

_OPEN_TABLES: Final = text(
    "SELECT relname FROM pg_class WHERE relnamespace = current_schema()::regnamespace AND relname = ANY(:names)"
    " AND NOT (relrowsecurity AND relforcerowsecurity) ORDER BY relname"
)
_ABOVE: Final = text("SELECT rolsuper OR rolbypassrls FROM pg_roles WHERE rolname = current_user")


def put_up(connection: Connection) -> None:
    """Fence every table that holds an organisation's rows, and let the two roles in; Unfenced where that fails."""
    _make_roles(connection)
    connection.execute(text(f"GRANT SELECT ON alembic_version TO {TENANT}"))
    found = inspect(connection)
    for table in found.get_table_names():
        if any(column["name"] == "organisation" for column in found.get_columns(table)):
            _fence(connection, table)


def require(connection: Connection) -> None:
    """Refuse with Unfenced a role that passes every fence, and a table without one."""
    if connection.scalar(_ABOVE):
        raise Unfenced("The role that the service takes up is a superuser or passes row-level security.")
    unfenced = connection.scalars(_OPEN_TABLES, {"names": list(metadata.tables)}).all()
    if unfenced:
        raise Unfenced(f"Row-level security is off, or not forced, for {', '.join(unfenced)}.")


@contextmanager
def down(connection: Connection, table: str) -> Iterator[None]:
    """Let a data migration reach the rows of every organisation: without this it finds none, and says nothing.

    Only within the transaction, whose end brings the fence back in any case; Unfenced if somebody else owns the table.
    """
    if connection.dialect.name != "postgresql":
        yield
        return
    connection.execute(text(f"ALTER TABLE {table} NO FORCE ROW LEVEL SECURITY"))
    if connection.scalar(text("SELECT row_security_active(:table)"), {"table": table}):
        raise Unfenced(f"A migration cannot reach every row of {table}: it must run as the owner of the table.")
    yield
    connection.execute(text(f"ALTER TABLE {table} FORCE ROW LEVEL SECURITY"))


def _fence(connection: Connection, table: str) -> None:
    statements = [
        f"ALTER TABLE {table} ENABLE ROW LEVEL SECURITY, FORCE ROW LEVEL SECURITY",
        *(f"DROP POLICY IF EXISTS {name} ON {table}" for name in ("own", "presented", "listed")),
        f"CREATE POLICY own ON {table} USING ({_OWN}) WITH CHECK ({_OWN})",
        *_MORE.get(table, []),
        f"REVOKE ALL ON {table} FROM PUBLIC, {TENANT}",
        f"GRANT SELECT, INSERT{'' if table in READ_AND_ADD else ', UPDATE, DELETE'} ON {table} TO {TENANT}",
    ]
    for statement in statements:
        connection.execute(text(statement))


def _make_roles(connection: Connection) -> None:
    """The roles without login that a transaction takes up: they belong to the whole server, so they may be there."""
    wanted = [TENANT, ADMINISTRATOR]
    try:
        for role in wanted:
            if not connection.scalar(text("SELECT count(*) FROM pg_roles WHERE rolname = :role"), {"role": role}):
                connection.execute(text(f"CREATE ROLE {role} NOLOGIN NOBYPASSRLS"))
        _grant(connection, TENANT, ADMINISTRATOR, "USAGE")
        for role in wanted:
            # From version 16 on, who makes a role may give it to itself, but does not have it by that alone.
            member = "SET" if (connection.dialect.server_version_info or ()) >= (16,) else "MEMBER"
            _grant(connection, role, "CURRENT_USER", member)
    except ProgrammingError as error:
        raise Unfenced(
            f"This login may not make the roles {TENANT} and {ADMINISTRATOR}. Let an administrator of the server make"
            f" them with NOLOGIN, grant {TENANT} to {ADMINISTRATOR}, and both to this login."
        ) from error


def _grant(connection: Connection, role: str, to: str, how: str) -> None:
    who = "current_user" if to == "CURRENT_USER" else f"'{to}'"
    if not connection.scalar(text(f"SELECT pg_has_role({who}, '{role}', '{how}')")):
        connection.execute(text(f"GRANT {role} TO {to}"))
