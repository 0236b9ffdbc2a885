"""Bulk changes: every item is looked at as its single write would be, and what is good is written at one position."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace as altered
from typing import Any, Final
from uuid import UUID

from sqlalchemy import Connection

from catchpan.contract.branches import MachineRequest
from catchpan.contract.bulk import BulkCommissioning, BulkItem, BulkKind, BulkMachine, BulkOutcome, BulkResult
from catchpan.digest import canonical, digest
from catchpan_service.store import branches, commissionings, factors, holdings, machine_kinds, machines, materials
from catchpan_service.store.documents import Documents
from catchpan_service.store.errors import Misformed, NotFound, Refused, StoreError
from catchpan_service.store.shelves import Shelf, Step
from catchpan_service.store.writes import Change, Stamp, Written

_KEPT: Final[Mapping[BulkKind, Documents[Any]]] = {
    BulkKind.MATERIAL: materials.KEPT,
    BulkKind.MACHINE_KIND: machine_kinds.KEPT,
    BulkKind.BRANCH: branches.KEPT,
    BulkKind.MACHINE: machines.KEPT,
}
Told = BulkResult | Exception


def put(
    connection: Connection,
    organisation: UUID,
    stamp: Stamp,
    items: Sequence[BulkItem],
    refused: Mapping[int, Exception],
    together: bool,
) -> Written[list[Told]]:
    """Put items in place, in their order; the answer has a result or an error for each.

    ``refused`` are those in which somebody else found something wrong. A branch's key reaches its own machines alone.

    Raises
    ------
    Refused
        At least one cannot be stored, and they are to be stored ``together``.
    """
    call = _Call(organisation, stamp)
    call.look(connection, items)
    told = [refused.get(number) or call.plan(item) for number, item in enumerate(items)]
    errors = [one if isinstance(one, Exception) else None for one in told]
    if together and any(errors):
        raise Refused(errors)
    return Written(told, call.write(connection))


def kind_of(item: BulkItem) -> BulkKind:
    """What an item puts in place; Misformed if that is nothing, or several things."""
    there = [kind for kind in BulkKind if getattr(item, kind.value) is not None]
    if len(there) != 1:
        raise Misformed("An item has exactly one of " + ", ".join(kind.value for kind in BulkKind) + ".")
    if there == [BulkKind.COMMISSIONING] and (item.id, item.version) != (None, None):
        raise Misformed("A commissioning is recorded, never replaced: it takes neither id nor version.")
    return there[0]


class _Call:
    """What one call speaks of, and what is to be written of it."""

    def __init__(self, organisation: UUID, stamp: Stamp) -> None:
        self._organisation = organisation
        self._stamp = stamp
        self._shelves = {kind: Shelf(kept, kind) for kind, kept in _KEPT.items()}
        self._recorded: dict[UUID, dict[str, int]] = {}
        self._records: list[dict[str, Any]] = []

    def look(self, connection: Connection, items: Sequence[BulkItem]) -> None:
        """Fetch everything that the items may mean."""
        named: dict[BulkKind, set[str]] = {kind: set() for kind in _KEPT}
        for item in items:
            for kind, name in _mentioned(item):
                named[kind].add(name)
        for kind, shelf in self._shelves.items():
            shelf.stock(connection, self._organisation, named[kind])
        found = {one.commissioning.machine for one in items if one.commissioning is not None}
        known = {row["id"] for name in sorted(found) if (row := self._machine_if_there(name)) is not None}
        for machine, number, body in commissionings.bodies(connection, self._organisation, sorted(known)):
            numbers = self._recorded.setdefault(machine, {})
            numbers[digest(body)] = max(number, numbers.get(digest(body), 0))

    def plan(self, item: BulkItem) -> Told:
        """Note what an item changes, or tell what is wrong with it."""
        try:
            kind = kind_of(item)
            if item.commissioning is not None:
                return self._plan_record(item.commissioning)
            request = getattr(item, kind.value)
            asked = self._resolved(request) if isinstance(request, BulkMachine) else request
            return self._shelves[kind].plan(self._organisation, self._stamp, item, asked)
        except StoreError as error:
            return error

    def write(self, connection: Connection) -> tuple[Change, ...]:
        """Carry out what was noted; what that changes."""
        changes: list[Change] = []
        for kind, shelf in self._shelves.items():
            shelf.write(connection, self._organisation, self._stamp)
            for step in shelf.steps:
                changes += self._changes(connection, kind, step)
        if self._records:
            changes += commissionings.add_rows(connection, self._records)
        return tuple(changes)

    def _machine_if_there(self, name: str) -> dict[str, Any] | None:
        try:
            return self._shelves[BulkKind.MACHINE].find(name, "machine")
        except NotFound:
            return None

    def _resolved(self, asked: BulkMachine) -> MachineRequest:
        """A machine with the ids of its branch and kind in place of their names."""
        given = {name: getattr(asked, name) for name in asked.__struct_fields__}
        for kind in (BulkKind.BRANCH, BulkKind.MACHINE_KIND):
            found = self._shelves[kind].find(given[kind.value], f"machine/{kind.value}")
            given[kind.value] = str(found["id"])
        return MachineRequest(**given)

    def _plan_record(self, asked: BulkCommissioning) -> BulkResult:
        machine = self._shelves[BulkKind.MACHINE].find(asked.machine, "commissioning/machine")
        within = self._stamp.access.within
        if within is not None and machine["branch"] != within:
            raise NotFound("machine", asked.machine, field="commissioning/machine")
        known = self._recorded.setdefault(machine["id"], {})
        said = digest(canonical(asked.record))
        outcome = BulkOutcome.UNCHANGED if said in known else BulkOutcome.ADDED
        if outcome is BulkOutcome.ADDED:
            known[said] = max(known.values(), default=0) + 1
            self._records.append(commissionings.new_row(self._stamp, machine["id"], known[said], asked.record))
        return BulkResult(
            kind=BulkKind.COMMISSIONING, id=str(machine["id"]), name=machine["name"], version=known[said],
            outcome=outcome,
        )  # fmt: skip

    def _changes(self, connection: Connection, kind: BulkKind, step: Step) -> Iterable[Change]:
        """What the feed tells of a row: a branch hears of itself, and of its machines."""
        own = str(step.row["id"])
        audience = {BulkKind.BRANCH: own, BulkKind.MACHINE: str(step.row.get("branch"))}.get(kind)
        change = Change(kind.value, own, step.event, digest(step.row["body"]), audience=audience)
        if kind is not BulkKind.MACHINE or step.before is None or step.before["branch"] == step.row["branch"]:
            return [change]
        gone = altered(change, event="moved_away", audience=str(step.before["branch"]))
        there = (connection, self._organisation, self._stamp, step.row["id"], step.row["branch"])
        return [gone, change, *holdings.move_machine(*there), *factors.move_machine(*there)]


def _mentioned(item: BulkItem) -> Iterator[tuple[BulkKind, str]]:
    """Every name and id in an item, and what it is the name of."""
    for kind in _KEPT:
        if (request := getattr(item, kind.value)) is not None:
            yield kind, request.name
            if item.id is not None:
                yield kind, item.id
    if item.machine is not None:
        yield BulkKind.BRANCH, item.machine.branch
        yield BulkKind.MACHINE_KIND, item.machine.machine_kind
    if item.commissioning is not None:
        yield BulkKind.MACHINE, item.commissioning.machine
