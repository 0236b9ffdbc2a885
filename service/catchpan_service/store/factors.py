"""Corrections in force beside revisions, from one position of the feed to another; never changed but to end them."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final
from uuid import UUID

import msgspec
from sqlalchemy import Connection, Row, and_, bindparam, insert, or_, select, update

from catchpan.contract.branches import Machine
from catchpan.contract.corrections import Correction
from catchpan.digest import canonical, digest
from catchpan.manifests import Corrected
from catchpan_service.store.statements import of, owned
from catchpan_service.store.tables import corrections
from catchpan_service.store.writes import EVERYBODY, Change, Stamp

KIND: Final = "correction"

_OPEN: Final = corrections.c.to_position.is_(None)
_THERE: Final = and_(
    corrections.c.from_position <= bindparam("position"),
    or_(_OPEN, corrections.c.to_position > bindparam("position")),
)
OF_BRANCH: Final = or_(corrections.c.branch.is_(None), corrections.c.branch == bindparam("branch"))
_AT: Final = select(corrections.c.id, corrections.c.entry).where(*owned(corrections), _THERE)
_AT_BRANCH: Final = _AT.where(OF_BRANCH)
_OF_REVISION: Final = select(corrections).where(*owned(corrections, "profile", "number"), _OPEN)
_OF_MACHINE: Final = select(corrections).where(*owned(corrections, "machine"), _OPEN)
_ADD: Final = insert(corrections)
_END: Final = update(corrections).where(*owned(corrections, "id"), _OPEN)

ENTRY: Final = msgspec.json.Decoder(Correction)


def at(connection: Connection, organisation: UUID, branch: UUID | None, position: int) -> list[Corrected]:
    """The corrections that a scope has in force at a position."""
    asked = of(organisation) | {"position": position}
    statement = _AT
    if branch is not None:
        statement, asked = _AT_BRANCH, asked | {"branch": branch}
    return sorted(Corrected(str(row.id), row.entry) for row in connection.execute(statement, asked))


def of_machine(
    connection: Connection, organisation: UUID, machine: Machine, profile: str, number: int, now: datetime
) -> Correction | None:
    """The correction that a machine has in force on a revision, if it is not over."""
    rows = connection.execute(_OF_MACHINE, of(organisation, machine=UUID(machine.id)))
    found = [ENTRY.decode(row.entry) for row in rows]
    return next((one for one in found if (one.profile, one.number) == (profile, number) and one.until > now), None)


def on_revision(connection: Connection, organisation: UUID, profile: UUID, number: int) -> Sequence[Row[Any]]:
    """The rows of the corrections in force on a revision."""
    return connection.execute(_OF_REVISION, of(organisation, profile=profile, number=number)).all()


def begin(
    connection: Connection, organisation: UUID, stamp: Stamp, correction: Correction, branch: UUID | None
) -> Change:
    """Put a correction in force; ``branch`` alone hears of it, everybody with none."""
    body = canonical(correction)
    connection.execute(
        _ADD,
        {
            "organisation": organisation,
            "id": UUID(correction.id),
            "profile": UUID(correction.profile),
            "number": correction.number,
            "machine": None if correction.machine is None else UUID(correction.machine),
            "lot": correction.lot,
            "branch": branch,
            "entry": body,
            "from_position": stamp.position,
            "to_position": None,
            "ended": None,
        },
    )
    return _change(correction.id, branch, "began", body)


def end(connection: Connection, organisation: UUID, stamp: Stamp, rows: Sequence[Row[Any]]) -> tuple[Change, ...]:
    """Take the corrections of some rows out of force."""
    for row in rows:
        connection.execute(_END, of(organisation, id=row.id) | {"to_position": stamp.position, "ended": stamp.now})
    return tuple(_change(str(row.id), row.branch, "ended", None) for row in rows)


def end_revision(
    connection: Connection, organisation: UUID, stamp: Stamp, profile: UUID, number: int
) -> tuple[Change, ...]:
    """End every correction on a revision that nobody uses any more."""
    return end(connection, organisation, stamp, on_revision(connection, organisation, profile, number))


def move_machine(
    connection: Connection, organisation: UUID, stamp: Stamp, machine: UUID, branch: UUID
) -> tuple[Change, ...]:
    """Let another branch hear of a machine's corrections from now on."""
    rows = connection.execute(_OF_MACHINE, of(organisation, machine=machine)).all()
    ended = end(connection, organisation, stamp, rows)
    return (*ended, *(begin(connection, organisation, stamp, ENTRY.decode(row.entry), branch) for row in rows))


def _change(subject: str, branch: UUID | None, event: str, body: bytes | None) -> Change:
    audience = EVERYBODY if branch is None else str(branch)
    return Change(KIND, subject, event, None if body is None else digest(body), audience, body)
