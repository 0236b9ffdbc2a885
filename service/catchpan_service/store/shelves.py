"""Documents of one kind as a bulk change finds and leaves them: looked at in memory, written by a few statements."""

from collections.abc import Iterable
from itertools import groupby
from typing import Any, NamedTuple
from uuid import UUID

from sqlalchemy import Connection

from catchpan.contract.base import Wire
from catchpan.contract.bulk import BulkItem, BulkKind, BulkOutcome, BulkResult
from catchpan.digest import digest
from catchpan_service.store import contents
from catchpan_service.store.documents import Documents
from catchpan_service.store.errors import Conflict, NotFound, Stale
from catchpan_service.store.writes import Stamp


class Step(NamedTuple):
    """One row to be written: as it was (None for a new one), as it will be, and what changes in it."""

    before: dict[str, Any] | None
    row: dict[str, Any]
    values: dict[str, Any]

    @property
    def event(self) -> str:
        """What the list of changes calls it."""
        return "added" if self.before is None else "replaced"


class Shelf:
    """The rows of one kind that a call speaks of.

    Parameters
    ----------
    kept : Documents
        Where they are kept.
    kind : BulkKind
        What items call them.
    """

    def __init__(self, kept: Documents[Any], kind: BulkKind) -> None:
        self.kept = kept
        self.kind = kind
        self.steps: list[Step] = []
        self._by_id: dict[UUID, dict[str, Any]] = {}
        self._by_name: dict[str, dict[str, Any]] = {}
        self._said: set[UUID] = set()

    def stock(self, connection: Connection, organisation: UUID, named: Iterable[str]) -> None:
        """Fetch what names or ids may mean."""
        names = set(named)
        ids = {found for name in names if (found := id_of(name)) is not None}
        for column, values in (("name", names), ("id", ids)):
            for row in self.kept.rows(connection, organisation, column, sorted(values)):
                if row["id"] not in self._by_id:
                    self._by_id[row["id"]] = self._by_name[row["name"]] = row

    def find(self, named: str, field: str) -> dict[str, Any]:
        """The row that a name or an id means; NotFound, for the member that says it."""
        own = id_of(named)
        row = self._by_id.get(own) if own is not None else None
        row = row or self._by_name.get(named)
        if row is None:
            raise NotFound(self.kept.said, named, field=field)
        return row

    def plan(self, organisation: UUID, stamp: Stamp, item: BulkItem, request: Any) -> BulkResult:
        """Note what an item is to change; NotFound, Stale, Conflict."""
        row = self._meant(item, request.name)
        if row is None:
            return self._plan_new(organisation, stamp, request)
        if row["id"] in self._said:
            raise self._conflict(f"The {self.kept.said} {request.name} stands in this call already.", row)
        if item.version not in {None, row["version"]}:
            raise Stale(None, row["version"])
        self._require_free(request.name, row)
        self._said.add(row["id"])
        values = self.kept.new_values(stamp, row["version"] + 1, request.name, request)
        if values["body"] == row["body"]:
            return self._result(row, BulkOutcome.UNCHANGED)
        after = row | values
        self._put(after, row)
        self.steps.append(Step(row, after, values))
        return self._result(after, BulkOutcome.CHANGED)

    def write(self, connection: Connection, organisation: UUID, stamp: Stamp) -> None:
        """Carry out what was noted, in its order: a name may be free only since the step before."""
        for adds, group in groupby(self.steps, lambda step: step.before is None):
            steps = list(group)
            if adds:
                self.kept.add_rows(connection, [step.row for step in steps])
            else:
                self.kept.set_rows(connection, organisation, [(step.row["id"], step.values) for step in steps])
        bodies = {digest(step.row["body"]): step.row["body"] for step in self.steps}
        contents.keep_all(connection, organisation, bodies, stamp.now)

    def _meant(self, item: BulkItem, name: str) -> dict[str, Any] | None:
        if item.id is not None:
            found = self._by_id.get(UUID(item.id))
            if found is None:
                raise NotFound(self.kept.said, item.id, field="id")
            return found
        if item.version is not None and name not in self._by_name:
            raise NotFound(self.kept.said, name, field=f"{self.kind.value}/name")
        return self._by_name.get(name)

    def _plan_new(self, organisation: UUID, stamp: Stamp, request: Wire) -> BulkResult:
        row = self.kept.new_row(organisation, stamp, getattr(request, "name"), request)  # noqa: B009
        self._put(row, None)
        self._said.add(row["id"])
        self.steps.append(Step(None, row, row))
        return self._result(row, BulkOutcome.ADDED)

    def _put(self, row: dict[str, Any], before: dict[str, Any] | None) -> None:
        if before is not None:
            del self._by_name[before["name"]]
        self._by_id[row["id"]] = self._by_name[row["name"]] = row

    def _require_free(self, name: str, own: dict[str, Any]) -> None:
        holder = self._by_name.get(name)
        if holder is not None and holder["id"] != own["id"]:
            raise self._conflict(f"Another {self.kept.said} is called {name}.", holder)

    def _conflict(self, message: str, holder: dict[str, Any]) -> Conflict:
        return Conflict(message, field=f"{self.kind.value}/name", existing=str(holder["id"]))

    def _result(self, row: dict[str, Any], outcome: BulkOutcome) -> BulkResult:
        return BulkResult(kind=self.kind, id=str(row["id"]), name=row["name"], version=row["version"], outcome=outcome)


def id_of(named: str) -> UUID | None:
    """The id that a text is, None for one that is none."""
    try:
        return UUID(named) if len(named) == 36 else None
    except ValueError:
        return None
