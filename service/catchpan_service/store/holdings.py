"""Holdings: which revision of a profile is for whom, from one position of the feed to another.

The table is never changed but to end a row, so that the manifest of any past position can be told, and with it which
setting was in force on a day.
"""

from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple, Self
from uuid import UUID

import msgspec
from sqlalchemy import (
    ColumnElement,
    Connection,
    Row,
    and_,
    bindparam,
    exists,
    func,
    insert,
    or_,
    select,
    tuple_,
    update,
)

from catchpan import manifests
from catchpan.contract.sync import Entry, Target
from catchpan.digest import canonical
from catchpan.manifests import Corrected, Documents, Held, Unsafe
from catchpan_service.store.statements import of, owned
from catchpan_service.store.tables import contents, holdings, unsafe
from catchpan_service.store.writes import EVERYBODY, Change, Stamp

KIND: Final = "holding"

_OPEN: Final = holdings.c.to_position.is_(None)
_THERE: Final = and_(
    holdings.c.from_position <= bindparam("position"), or_(_OPEN, holdings.c.to_position > bindparam("position"))
)
# The branch's part holds that of its machines too.
_OF_BRANCH: Final = or_(holdings.c.target_kind == Target.ORGANISATION.value, holdings.c.branch == bindparam("branch"))
_AT: Final = select(holdings).where(*owned(holdings), _THERE)
_EVER: Final = (
    select(holdings.c.number)
    .where(
        holdings.c.organisation == unsafe.c.organisation,
        holdings.c.profile == unsafe.c.profile,
        holdings.c.number == unsafe.c.number,
    )
    .correlate(unsafe)
)
_UNSAFE: Final = select(unsafe.c.profile, unsafe.c.number, unsafe.c.digest).where(
    *owned(unsafe), unsafe.c.position <= bindparam("position")
)
_ALL_UNSAFE: Final = _UNSAFE.where(exists(_EVER))
_BRANCH_UNSAFE: Final = _UNSAFE.where(exists(_EVER.where(_OF_BRANCH)))

_ORDER: Final = (holdings.c.profile, holdings.c.target_kind, holdings.c.target)
_AFTER: Final = [bindparam(f"after_{column.name}", type_=column.type) for column in _ORDER]
_PAGE: Final = (
    select(holdings.c.target_kind, holdings.c.target, holdings.c.profile, holdings.c.entry, contents.c.body)
    .join(contents, and_(contents.c.organisation == holdings.c.organisation, contents.c.digest == holdings.c.digest))
    .where(
        *owned(holdings),
        _THERE,
        tuple_(*_ORDER) > tuple_(*_AFTER),
    )
    .order_by(*_ORDER)
    .limit(bindparam("most"))
)
_PAGE_OF_BRANCH: Final = _PAGE.where(_OF_BRANCH)

_ADD: Final = insert(holdings)
_OF_TARGET: Final = owned(holdings, "target_kind", "target", "profile")
_END: Final = update(holdings).where(*_OF_TARGET, _OPEN)
_OPEN_OF_REVISION: Final = select(holdings).where(*owned(holdings, "profile", "number"), _OPEN)
_OPEN_OF_PROFILE: Final = select(holdings).where(*owned(holdings, "profile"), _OPEN)
_OPEN_OF_MACHINE: Final = select(holdings).where(*owned(holdings, "target_kind", "target"), _OPEN)
_HOLDERS: Final = select(holdings.c.branch).where(*owned(holdings, "profile", "number"))
_SEEN: Final = select(holdings.c.number).where(*owned(holdings, "profile"), _OF_BRANCH).limit(1)
_SEEN_NUMBER: Final = select(holdings.c.number).where(*owned(holdings, "profile", "number"), _OF_BRANCH).limit(1)
_BRANCH_AT: Final = _AT.where(_OF_BRANCH)
_MOVED: Final = select(holdings).where(
    *owned(holdings),
    or_(
        and_(holdings.c.from_position > bindparam("after"), holdings.c.from_position <= bindparam("position")),
        and_(holdings.c.to_position > bindparam("after"), holdings.c.to_position <= bindparam("position")),
    ),
)
_NEXT: Final = tuple(
    select(func.min(column)).where(*owned(column.table), column > bindparam("after"))
    for column in (holdings.c.from_position, holdings.c.to_position, unsafe.c.position)
)
_CONDEMN: Final = insert(unsafe)


class Place(NamedTuple):
    """For whom a holding is; ``branch`` is the one that hears of it, none for the whole organisation."""

    target: Target
    subject: UUID
    branch: UUID | None

    @classmethod
    def everywhere(cls, organisation: UUID) -> Self:
        """The place of what the whole organisation holds."""
        return cls(Target.ORGANISATION, organisation, None)

    @classmethod
    def at(cls, branch: UUID) -> Self:
        """The place of what one branch holds."""
        return cls(Target.BRANCH, branch, branch)


class Heard(NamedTuple):
    """A holding, and the branch that hears of it: none where everybody does."""

    branch: UUID | None
    held: Held


Present = Mapping[tuple[str, UUID, UUID], Heard]
"""Holdings by target kind, target and profile."""


def begin(connection: Connection, organisation: UUID, stamp: Stamp, place: Place, entry: Entry) -> Change:
    """Let a place hold a revision from now on, instead of the one that it held."""
    (change,) = begin_all(connection, organisation, stamp, [place], entry)
    return change


def begin_all(
    connection: Connection, organisation: UUID, stamp: Stamp, places: Sequence[Place], entry: Entry
) -> tuple[Change, ...]:
    """Let places hold a revision from now on, each instead of the one that it held."""
    profile, body = UUID(entry.profile), canonical(entry)
    _end(connection, organisation, stamp, [(place.target.value, place.subject, profile) for place in places])
    rows = [
        {
            "organisation": organisation,
            "target_kind": place.target.value,
            "target": place.subject,
            "branch": place.branch,
            "profile": profile,
            "number": entry.number,
            "digest": entry.digest,
            "entry": body,
            "from_position": stamp.position,
            "to_position": None,
        }
        for place in places
    ]
    if rows:
        connection.execute(_ADD, rows)
    return tuple(_change(place, profile, "began", entry.digest, body) for place in places)


def end_revision(
    connection: Connection, organisation: UUID, stamp: Stamp, profile: UUID, number: int
) -> tuple[Change, ...]:
    """End every holding of a revision."""
    rows = connection.execute(_OPEN_OF_REVISION, of(organisation, profile=profile, number=number)).all()
    return _ended(connection, organisation, stamp, rows)


def end_narrower(connection: Connection, organisation: UUID, stamp: Stamp, profile: UUID) -> tuple[Change, ...]:
    """End what single branches and machines hold of a profile instead of the organisation's revision."""
    rows = connection.execute(_OPEN_OF_PROFILE, of(organisation, profile=profile)).all()
    own = [row for row in rows if row.target_kind != Target.ORGANISATION.value]
    return _ended(connection, organisation, stamp, own)


def end_of_machines(
    connection: Connection, organisation: UUID, stamp: Stamp, profile: UUID, number: int
) -> tuple[Change, ...]:
    """End what single machines hold of a revision, so that what their branch or everybody holds is wanted again."""
    rows = connection.execute(_OPEN_OF_REVISION, of(organisation, profile=profile, number=number)).all()
    own = [row for row in rows if row.target_kind == Target.MACHINE.value]
    return _ended(connection, organisation, stamp, own)


def of_profile(connection: Connection, organisation: UUID, profile: UUID) -> dict[tuple[Target, UUID], int]:
    """The number of the revision of a profile that each target holds now."""
    rows = connection.execute(_OPEN_OF_PROFILE, of(organisation, profile=profile))
    return {(Target(row.target_kind), row.target): row.number for row in rows}


def condemn(
    connection: Connection, organisation: UUID, stamp: Stamp, profile: UUID, number: int, digest: str
) -> tuple[str | None, ...]:
    """Write down that a revision is unsafe, and tell who has to hear of it: an audience for each change."""
    row = {"organisation": organisation, "profile": profile, "number": number}
    connection.execute(_CONDEMN, row | {"digest": digest, "position": stamp.position})
    holders = set(connection.execute(_HOLDERS, of(organisation, profile=profile, number=number)).scalars())
    return (EVERYBODY,) if None in holders else tuple(sorted(map(str, holders))) or (None,)


def move_machine(
    connection: Connection, organisation: UUID, stamp: Stamp, machine: UUID, branch: UUID
) -> tuple[Change, ...]:
    """Let another branch hear of what a machine holds from now on."""
    asked = of(organisation, target_kind=Target.MACHINE.value, target=machine)
    rows = connection.execute(_OPEN_OF_MACHINE, asked).all()
    ended = _ended(connection, organisation, stamp, rows)
    place = Place(Target.MACHINE, machine, branch)
    began = [begin(connection, organisation, stamp, place, msgspec.json.decode(row.entry, type=Entry)) for row in rows]
    return (*ended, *began)


def present(connection: Connection, organisation: UUID, position: int) -> Present:
    """All holdings of an organisation at a position."""
    rows = connection.execute(_AT, of(organisation) | {"position": position})
    return {_place(row): _heard(row) for row in rows}


def brought_forward(connection: Connection, organisation: UUID, before: Present, after: int, position: int) -> Present:
    """All holdings at a position, from those at an earlier one; the very same where none began or ended."""
    rows = connection.execute(_MOVED, of(organisation) | {"after": after, "position": position}).all()
    if not rows:
        return before
    held = dict(before)
    for row in rows:
        held.pop(_place(row), None)
    lasting = (row for row in rows if row.to_position is None or row.to_position > position)
    return held | {_place(row): _heard(row) for row in lasting}


def documents(held: Present, ended: Sequence[Unsafe], corrected: Sequence[Corrected], branch: UUID | None) -> Documents:
    """The manifest of a scope, and its exceptions, made of what is held."""
    audience = {None, branch}
    own = (one.held for one in held.values() if branch is None or one.branch in audience)
    return manifests.documents(own, ended, corrected, branch=None if branch is None else str(branch))


def of_machine(connection: Connection, organisation: UUID, machine: UUID, branch: UUID, position: int) -> list[Held]:
    """What everybody, a machine's branch and the machine itself hold at a position."""
    asked = of(organisation) | {"position": position, "branch": branch}
    rows = [_heard(row).held for row in connection.execute(_BRANCH_AT, asked)]
    return [one for one in rows if one.target != Target.MACHINE or one.id == str(machine)]


def found_unsafe(connection: Connection, organisation: UUID, branch: UUID | None, position: int) -> list[Unsafe]:
    """The revisions that were ever held in a scope and are unsafe at a position."""
    asked = of(organisation) | {"position": position} | ({} if branch is None else {"branch": branch})
    rows = connection.execute(_ALL_UNSAFE if branch is None else _BRANCH_UNSAFE, asked)
    return [Unsafe(str(row.profile), row.number, row.digest) for row in rows]


def next_move(connection: Connection, organisation: UUID, after: int) -> int | None:
    """The first position after another at which a holding began or ended, or a revision was found unsafe."""
    asked = of(organisation) | {"after": after}
    found = [connection.execute(one, asked).scalar_one() for one in _NEXT]
    return min((position for position in found if position is not None), default=None)


def is_for(connection: Connection, organisation: UUID, branch: UUID, profile: UUID, number: int | None = None) -> bool:
    """Whether a revision of a profile, or this one, was ever for a branch: only that may its key see."""
    asked = of(organisation, profile=profile) | {"branch": branch}
    if number is None:
        return connection.execute(_SEEN, asked).one_or_none() is not None
    return connection.execute(_SEEN_NUMBER, asked | {"of_number": number}).one_or_none() is not None


def visible(profile: ColumnElement[UUID], number: ColumnElement[int] | None = None) -> ColumnElement[bool]:
    """The condition that a row's profile, or that revision of it, was ever for the branch bound as ``branch``."""
    same = [holdings.c.profile == profile, *([] if number is None else [holdings.c.number == number])]
    ever = select(holdings.c.number).where(holdings.c.organisation == bindparam("of_organisation"), *same, _OF_BRANCH)
    return exists(ever.correlate_except(holdings))


class After(NamedTuple):
    """The holding after which a page begins."""

    profile: UUID
    target_kind: str
    target: UUID


def page(
    connection: Connection, organisation: UUID, branch: UUID | None, position: int, after: After, limit: int
) -> Sequence[Any]:
    """Holdings of a scope at a position, each with its content, in order."""
    asked = of(organisation) | {"position": position, "most": limit}
    asked |= {f"after_{name}": value for name, value in after._asdict().items()}
    if branch is None:
        return connection.execute(_PAGE, asked).all()
    return connection.execute(_PAGE_OF_BRANCH, asked | {"branch": branch}).all()


def _place(row: Row[Any]) -> tuple[str, UUID, UUID]:
    return row.target_kind, row.target, row.profile


def _heard(row: Row[Any]) -> Heard:
    return Heard(row.branch, Held(Target(row.target_kind), str(row.target), str(row.profile), row.entry))


def _ended(connection: Connection, organisation: UUID, stamp: Stamp, rows: Sequence[Row[Any]]) -> tuple[Change, ...]:
    _end(connection, organisation, stamp, [_place(row) for row in rows])
    places = (Place(Target(row.target_kind), row.target, row.branch) for row in rows)
    return tuple(_change(place, row.profile, "ended", None, b"") for place, row in zip(places, rows, strict=True))


def _end(connection: Connection, organisation: UUID, stamp: Stamp, held: Sequence[tuple[str, UUID, UUID]]) -> None:
    ends = {"to_position": stamp.position}
    found = [
        of(organisation, target_kind=kind, target=target, profile=profile) | ends for kind, target, profile in held
    ]
    if found:
        connection.execute(_END, found)


def _change(place: Place, profile: UUID, event: str, digest: str | None, body: bytes) -> Change:
    told = manifests.change(Held(place.target, str(place.subject), str(profile), body), ends=not body)
    return Change(
        KIND,
        f"{place.target.value}/{place.subject}/{profile}",
        event,
        digest,
        EVERYBODY if place.branch is None else str(place.branch),
        told,
    )
