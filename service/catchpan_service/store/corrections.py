"""Making, ending and listing corrections; what is in force is kept by ``factors``."""

from datetime import datetime
from typing import Any, Final
from uuid import UUID

from sqlalchemy import Connection, RowMapping, bindparam, select

from catchpan.contract.branches import Machine
from catchpan.contract.corrections import Correction, CorrectionPage, CorrectionRequest, KeptCorrection
from catchpan_service.rules import corrections as rules
from catchpan_service.store import cursors, factors, machines, revisions
from catchpan_service.store.cursors import DEFAULT_LIMIT
from catchpan_service.store.errors import NotFound, named_by
from catchpan_service.store.statements import of, owned
from catchpan_service.store.tables import corrections
from catchpan_service.store.writes import Stamp, Written

KIND: Final = factors.KIND
FIRST: Final = UUID(int=0)

_ONE: Final = select(corrections).where(*owned(corrections, "id")).order_by(corrections.c.from_position.desc()).limit(1)
# A machine that moves to another branch has its correction begun anew there: the list shows the last row of each.
_LATER: Final = corrections.alias("later")
_LAST: Final = ~(
    select(_LATER.c.id)
    .where(
        _LATER.c.organisation == corrections.c.organisation,
        _LATER.c.id == corrections.c.id,
        _LATER.c.from_position > corrections.c.from_position,
    )
    .exists()
)
_PAGE: Final = (
    select(corrections)
    .where(*owned(corrections), corrections.c.id > bindparam("after"), _LAST)
    .order_by(corrections.c.id)
    .limit(bindparam("most"))
)
_PAGE_OF_BRANCH: Final = _PAGE.where(factors.OF_BRANCH)


def add(
    connection: Connection, organisation: UUID, stamp: Stamp, request: CorrectionRequest
) -> Written[KeptCorrection]:
    """A correction from now on, in place of the one for the same machine or lot on the same revision.

    Raises
    ------
    NotFound, NotLegal
        No such revision, or no such machine of its kind (``field`` says); a revision that nobody uses.
    """
    profile = UUID(request.profile)
    with named_by("number"):
        revision = revisions.entry(connection, organisation, profile, request.number)
    rules.require_in_use(revision.state)
    machine = _machine(connection, organisation, request)
    if machine is not None and machine.machine_kind != revision.machine_kind:
        raise NotFound("machine of this profile's kind", machine.id, field="machine")
    told = {name: getattr(request, name) for name in CorrectionRequest.__struct_fields__}
    correction = Correction(
        **told,
        id=str(stamp.new_id()),
        digest=revision.digest,
        machine_name=None if machine is None else machine.name,
        made=stamp.now,
    )
    before = [
        row
        for row in factors.on_revision(connection, organisation, profile, request.number)
        if (row.machine and str(row.machine), row.lot) == (request.machine, request.lot)
    ]
    ended = factors.end(connection, organisation, stamp, before)
    began = factors.begin(
        connection, organisation, stamp, correction, None if machine is None else UUID(machine.branch)
    )
    return Written(_kept(correction, None), (*ended, began))


def end(connection: Connection, organisation: UUID, stamp: Stamp, subject: UUID) -> Written[KeptCorrection]:
    """Take a correction out of force; NotFound, NotLegal where it is out of force already."""
    row = connection.execute(_ONE, of(organisation, id=subject)).one_or_none()
    if row is None:
        raise NotFound(KIND, subject)
    rules.require_in_force(ended=row.to_position is not None)
    changes = factors.end(connection, organisation, stamp, [row])
    return Written(_kept(factors.ENTRY.decode(row.entry), stamp.now), changes)


def page(
    connection: Connection,
    organisation: UUID,
    cursor: str | None = None,
    limit: int = DEFAULT_LIMIT,
    within: UUID | None = None,
) -> CorrectionPage:
    """One page of corrections, all or those that a branch hears of; BadCursor."""
    after = UUID(cursors.read(organisation, KIND, cursor)) if cursor else FIRST
    asked: dict[str, Any] = of(organisation) | {"after": after, "most": cursors.check_limit(limit) + 1}
    statement = _PAGE
    if within is not None:
        statement, asked = _PAGE_OF_BRANCH, asked | {"branch": within}
    rows, last = cursors.split(connection.execute(statement, asked).mappings().all(), limit)
    following = None if last is None else cursors.write(organisation, KIND, str(last["id"]))
    return CorrectionPage(items=[_of_row(row) for row in rows], next=following)


def _machine(connection: Connection, organisation: UUID, request: CorrectionRequest) -> Machine | None:
    if request.machine is None:
        return None
    with named_by("machine"):
        return machines.get(connection, organisation, UUID(request.machine))


def _kept(correction: Correction, ended: datetime | None) -> KeptCorrection:
    told = {name: getattr(correction, name) for name in Correction.__struct_fields__}
    return KeptCorrection(**told, ended=ended)


def _of_row(row: RowMapping) -> KeptCorrection:
    return _kept(factors.ENTRY.decode(row["entry"]), row["ended"])
