"""Named JSON documents with a version: what materials and machine kinds have in common."""

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any, Generic, TypeVar
from uuid import UUID

import msgspec
from sqlalchemy import Connection, Row, Table, insert, select, update

from catchpan.contract.base import Wire
from catchpan.digest import canonical, digest
from catchpan_service.store import cursors
from catchpan_service.store.errors import Conflict, NotFound, Stale
from catchpan_service.store.writes import Change, Stamp, Written

Stored = TypeVar("Stored", bound=Wire)


@dataclass(frozen=True)
class Documents(Generic[Stored]):
    """The statements on one table of documents; ``kind`` is their name in changes, ``said`` that in messages."""

    table: Table
    kind: str
    stored: type[Stored]

    @property
    def said(self) -> str:
        """The kind in words."""
        return self.kind.replace("_", " ")

    def get(self, connection: Connection, organisation: UUID, subject: UUID) -> Stored:
        """The document; NotFound if the organisation has none of that id."""
        return self._wire(self._row(connection, organisation, subject))

    def add(
        self, connection: Connection, organisation: UUID, stamp: Stamp, name: str, request: Wire
    ) -> Written[Stored]:
        """Store a new document; Conflict if its name is in use."""
        self._require_free(connection, organisation, name, None)
        subject = stamp.new_id()
        body = canonical(request)
        values = {"organisation": organisation, "id": subject, "version": 1, "created": stamp.now}
        connection.execute(insert(self.table).values(**values, changed=stamp.now, name=name, body=body))
        return self._written(connection, organisation, subject, "added", body)

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
        if expected is not None and row.version not in expected:
            raise Stale(self._wire(row), row.version)
        body = canonical(request)
        if body == row.body:
            return Written(self._wire(row), ())
        self._require_free(connection, organisation, name, subject)
        connection.execute(
            update(self.table)
            .where(*self._is(organisation, subject))
            .values(version=row.version + 1, name=name, body=body, changed=stamp.now)
        )
        return self._written(connection, organisation, subject, "replaced", body)

    def page(
        self, connection: Connection, organisation: UUID, cursor: str | None, limit: int
    ) -> tuple[list[Stored], str | None]:
        """Some documents and the cursor of those that follow, in an order that no later write can change."""
        statement = select(self.table).where(self.table.c.organisation == organisation)
        if cursor is not None:
            statement = statement.where(self.table.c.id > UUID(cursors.read(organisation, self.kind, cursor)))
        found = connection.execute(statement.order_by(self.table.c.id).limit(cursors.check_limit(limit) + 1)).all()
        rows, last = cursors.split(found, limit)
        following = None if last is None else cursors.write(organisation, self.kind, str(last.id))
        return [self._wire(row) for row in rows], following

    def _is(self, organisation: UUID, subject: UUID) -> tuple[Any, Any]:
        return self.table.c.organisation == organisation, self.table.c.id == subject

    def _row(self, connection: Connection, organisation: UUID, subject: UUID) -> Row[Any]:
        row = connection.execute(select(self.table).where(*self._is(organisation, subject))).one_or_none()
        if row is None:
            raise NotFound(self.said, subject)
        return row

    def _require_free(self, connection: Connection, organisation: UUID, name: str, own: UUID | None) -> None:
        holder = connection.execute(
            select(self.table.c.id).where(self.table.c.organisation == organisation, self.table.c.name == name)
        ).scalar_one_or_none()
        if holder is not None and holder != own:
            raise Conflict(f"Another {self.said} is called {name}.", field="name", existing=str(holder))

    def _written(
        self, connection: Connection, organisation: UUID, subject: UUID, event: str, body: bytes
    ) -> Written[Stored]:
        change = Change(self.kind, str(subject), event, digest(body))
        return Written(self.get(connection, organisation, subject), (change,))

    def _wire(self, row: Row[Any]) -> Stored:
        kept = {"id": str(row.id), "version": row.version, "created": row.created, "changed": row.changed}
        return msgspec.convert(msgspec.json.decode(row.body) | kept, self.stored)
