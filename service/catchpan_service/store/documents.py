"""Named JSON documents with a version: what materials and machine kinds have in common."""

from collections.abc import Collection, Iterable, Iterator
from typing import Any, Final, Generic, TypeVar
from uuid import UUID

import msgspec
from sqlalchemy import Connection, RowMapping, Select, Table, bindparam, insert, select, update

from catchpan.contract.base import Wire
from catchpan.digest import canonical, digest
from catchpan_service.store import contents, cursors, history
from catchpan_service.store.errors import Bodies, Conflict, NotFound, Stale
from catchpan_service.store.statements import chunks, of, owned
from catchpan_service.store.writes import Change, Stamp, Written

Stored = TypeVar("Stored", bound=Wire)

FIRST: Final = UUID(int=0)


class Documents(Generic[Stored]):
    """The statements on one table of documents.

    Parameters
    ----------
    table : Table
        Where they are kept.
    kind : str
        What they are called in the list of changes.
    stored : type
        The wire type of one as stored.
    mirrored : tuple of str
        Members that refer to others by id, and have a column of their own.
    """

    def __init__(self, table: Table, kind: str, stored: type[Stored], mirrored: tuple[str, ...] = ()) -> None:
        self.table = table
        self.kind = kind
        self.said = kind.replace("_", " ")
        self.stored = stored
        self.mirrored = mirrored
        self._add = insert(table)
        self._set = update(table).where(*owned(table, "id"))
        self._one = select(table).where(*owned(table, "id"))
        self._pages = {only: self._page(*only) for only in ((), *((name,) for name in mirrored))}
        self._holder = select(table.c.id).where(*owned(table, "name"))
        self._of_many = {
            column: select(table).where(*owned(table), table.c[column].in_(bindparam("any_of", expanding=True)))
            for column in ("id", "name")
        }

    def _page(self, *only: str) -> Select[Any]:
        return (
            select(self.table)
            .where(*owned(self.table, *only), self.table.c.id > bindparam("after"))
            .order_by(self.table.c.id)
            .limit(bindparam("most"))
        )

    def get(self, connection: Connection, organisation: UUID, subject: UUID) -> Stored:
        """The document; NotFound if the organisation has none of that id."""
        return self._wire(self._row(connection, organisation, subject))

    def named(self, connection: Connection, organisation: UUID, name: str) -> UUID:
        """The id of the document of that name; NotFound."""
        found: UUID | None = connection.execute(self._holder, of(organisation, name=name)).scalar_one_or_none()
        if found is None:
            raise NotFound(self.said, name)
        return found

    def page(
        self, connection: Connection, organisation: UUID, cursor: str | None, limit: int, **only: UUID
    ) -> tuple[list[Stored], str | None]:
        """Some documents and the cursor of those that follow, in an order that no later write can change.

        ``only`` keeps those that refer to one thing.
        """
        scope = "/".join((self.kind, *map(str, only.values())))
        after = UUID(cursors.read(organisation, scope, cursor)) if cursor else FIRST
        asked = of(organisation, **only) | {"after": after, "most": cursors.check_limit(limit) + 1}
        rows, last = cursors.split(connection.execute(self._pages[tuple(only)], asked).mappings().all(), limit)
        following = None if last is None else cursors.write(organisation, scope, str(last["id"]))
        return [self._wire(row) for row in rows], following

    def rows(
        self, connection: Connection, organisation: UUID, column: str, values: Iterable[Any]
    ) -> Iterator[dict[str, Any]]:
        """The rows whose id, or name, is one of several: by few statements, however many there are."""
        for some in chunks(values):
            asked = of(organisation) | {"any_of": some}
            yield from map(dict, connection.execute(self._of_many[column], asked).mappings())

    def new_row(self, organisation: UUID, stamp: Stamp, name: str, request: Wire) -> dict[str, Any]:
        """The row of a new document."""
        return {
            "organisation": organisation,
            "id": stamp.new_id(),
            "version": 1,
            "name": name,
            **self._mirrors(request),
            "body": canonical(request),
            "created": stamp.now,
            "changed": stamp.now,
        }

    def new_values(self, stamp: Stamp, version: int, name: str, request: Wire) -> dict[str, Any]:
        """What a row has at a version, in place of what it had."""
        body = canonical(request)
        return {"version": version, "name": name, "body": body, "changed": stamp.now} | self._mirrors(request)

    def add_rows(self, connection: Connection, rows: list[dict[str, Any]]) -> None:
        """Store new rows that were looked at before."""
        connection.execute(self._add, rows)

    def set_rows(self, connection: Connection, organisation: UUID, values: list[tuple[UUID, dict[str, Any]]]) -> None:
        """Give rows new values that were looked at before, one after another."""
        connection.execute(self._set, [of(organisation, id=subject) | one for subject, one in values])

    def add(
        self, connection: Connection, organisation: UUID, stamp: Stamp, name: str, request: Wire
    ) -> Written[Stored]:
        """Store a new document; Conflict if its name is in use."""
        self._require_free(connection, organisation, name, None)
        row = self.new_row(organisation, stamp, name, request)
        connection.execute(self._add, row)
        return self._written(connection, row, "added")

    def replace(
        self,
        connection: Connection,
        organisation: UUID,
        stamp: Stamp,
        subject: UUID,
        name: str,
        request: Wire,
        expected: Collection[int] | None,
    ) -> Written[Stored]:
        """Put new content in place of a version that was expected; the same content again changes nothing.

        Raises
        ------
        NotFound, Stale, Conflict
            No such document; another version than those expected (``None`` expects any); the name is in use.
        """
        row = self._row(connection, organisation, subject)
        if expected is not None and row["version"] not in expected:
            base = history.body(
                connection, organisation, self.kind, str(subject), version=row["version"], expected=expected
            )
            raise Stale(self._wire(row), row["version"], Bodies(base, row["body"], canonical(request)))
        values = self.new_values(stamp, row["version"] + 1, name, request)
        if values["body"] == row["body"]:
            return Written(self._wire(row), ())
        self._require_free(connection, organisation, name, subject)
        connection.execute(self._set, of(organisation, id=subject) | values)
        return self._written(connection, {**row, **values}, "replaced")

    def _mirrors(self, request: Wire) -> dict[str, UUID]:
        return {name: UUID(getattr(request, name)) for name in self.mirrored}

    def _row(self, connection: Connection, organisation: UUID, subject: UUID) -> RowMapping:
        row = connection.execute(self._one, of(organisation, id=subject)).mappings().one_or_none()
        if row is None:
            raise NotFound(self.said, subject)
        return row

    def _require_free(self, connection: Connection, organisation: UUID, name: str, own: UUID | None) -> None:
        holder = connection.execute(self._holder, of(organisation, name=name)).scalar_one_or_none()
        if holder not in {None, own}:
            raise Conflict(f"Another {self.said} is called {name}.", field="name", existing=str(holder))

    def _written(self, connection: Connection, row: dict[str, Any], event: str) -> Written[Stored]:
        """The answer and the change; the body is kept by its digest, for who replaces it without having seen it."""
        named = digest(row["body"])
        contents.keep(connection, row["organisation"], named, row["body"], row["changed"])
        return Written(self._wire(row), (Change(self.kind, str(row["id"]), event, named),))

    def _wire(self, row: RowMapping | dict[str, Any]) -> Stored:
        kept = {name: row[name] for name in ("version", "created", "changed")}
        return msgspec.convert(msgspec.json.decode(row["body"]) | kept | {"id": str(row["id"])}, self.stored)
