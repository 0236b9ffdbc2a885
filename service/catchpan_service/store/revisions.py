"""Revisions of a profile: drafts that may be replaced, and what is released or withdrawn, which may not."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from dataclasses import replace as altered
from datetime import timedelta
from typing import Any, Final
from uuid import UUID

import msgspec
from sqlalchemy import Connection, bindparam, insert, select, update

from catchpan.contract.findings import Finding
from catchpan.contract.profiles import (
    ProvisionalReleaseRequest,
    Revision,
    RevisionPage,
    RevisionSummary,
    State,
    Withdrawal,
)
from catchpan.contract.sync import Entry
from catchpan_service.rules import revisions as rules
from catchpan_service.rules.due import check_due
from catchpan_service.rules.revisions import Event, Standing
from catchpan_service.store import branches, contents, cursors, factors, history, holdings, profiles
from catchpan_service.store.cursors import DEFAULT_LIMIT
from catchpan_service.store.errors import Bodies, NotFound, Stale, named_by
from catchpan_service.store.statements import of, owned
from catchpan_service.store.tables import revisions
from catchpan_service.store.writes import Change, Stamp, Written

KIND: Final = "revision"
NEWEST: Final = 2**31 - 1  # above every number

_ONE: Final = select(revisions).where(*owned(revisions, "profile", "number"))
_PAGE: Final = (
    select(revisions)
    .where(*owned(revisions, "profile"), revisions.c.number < bindparam("before"))
    .order_by(revisions.c.number.desc())
    .limit(bindparam("most"))
)
_PAGE_FOR_BRANCH: Final = _PAGE.where(holdings.visible(revisions.c.profile, revisions.c.number))
_ADD: Final = insert(revisions)
_SET: Final = update(revisions).where(*owned(revisions, "profile", "number"))

_FINDINGS: Final = msgspec.json.Decoder(list[Finding])
# Columns that are members of the summary as they are.
_AS_THEY_ARE: Final = tuple(
    name
    for name in RevisionSummary.__struct_fields__
    if name not in {"profile", "state", "findings", "withdrawn_because", "branch"}
)
_EMPTY: Final = dict.fromkeys(column.name for column in revisions.c)

Row = Mapping[Any, Any]


@dataclass(frozen=True)
class Draft:
    """What a draft holds: canonical content, its digest, what was found in it, where it comes from."""

    content: bytes
    digest: str
    findings: tuple[Finding, ...] = ()
    parent: int | None = None
    note: str = ""


def get(connection: Connection, organisation: UUID, profile: UUID, number: int, within: UUID | None = None) -> Revision:
    """The revision with its content, as the bytes that were hashed; NotFound, also if it was never for the branch."""
    if within is not None and not holdings.is_for(connection, organisation, within, profile, number):
        raise NotFound("revision", f"{profile}/{number}")
    row = _row(connection, organisation, profile, number)
    return _whole(row, contents.get(connection, organisation, row["digest"]))


def entry(connection: Connection, organisation: UUID, profile: UUID, number: int, within: UUID | None = None) -> Entry:
    """The revision as a manifest tells it; NotFound, also if it was never for the branch."""
    if within is not None and not holdings.is_for(connection, organisation, within, profile, number):
        raise NotFound("revision", f"{profile}/{number}")
    return _entry(connection, _row(connection, organisation, profile, number))


def summary(connection: Connection, organisation: UUID, profile: UUID, number: int) -> RevisionSummary:
    """The revision without its content; NotFound."""
    return _wire(_row(connection, organisation, profile, number))


def page(
    connection: Connection,
    organisation: UUID,
    profile: UUID,
    cursor: str | None = None,
    limit: int = DEFAULT_LIMIT,
    within: UUID | None = None,
) -> RevisionPage:
    """One page of a profile's revisions, newest first, all or those ever for a branch; NotFound, BadCursor."""
    profiles.get(connection, organisation, profile, within)
    scope = f"{KIND}/{profile}"
    before = int(cursors.read(organisation, scope, cursor)) if cursor else NEWEST
    asked = of(organisation, profile=profile) | {"before": before, "most": cursors.check_limit(limit) + 1}
    statement = _PAGE
    if within is not None:
        statement, asked = _PAGE_FOR_BRANCH, asked | {"branch": within}
    rows, last = cursors.split(connection.execute(statement, asked).mappings().all(), limit)
    following = None if last is None else cursors.write(organisation, scope, str(last["number"]))
    return RevisionPage(items=[_wire(row) for row in rows], next=following)


def add(connection: Connection, organisation: UUID, stamp: Stamp, profile: UUID, draft: Draft) -> Written[Revision]:
    """A new draft with the next number; NotFound for the profile or for the parent (``field`` says)."""
    number = (profiles.get(connection, organisation, profile).latest or 0) + 1
    row = _EMPTY | {
        "organisation": organisation,
        "profile": profile,
        "number": number,
        "version": 1,
        "state": State.DRAFT.value,
        "author": stamp.access.key_name,
        "created": stamp.now,
        "changed": stamp.now,
        **_kept(connection, organisation, stamp, profile, draft),
    }
    connection.execute(_ADD, row)
    moved = profiles.point(connection, organisation, stamp, profile, latest=number)
    return Written(_whole(row, draft.content), (_change(row, "added"), moved))


def replace_draft(
    connection: Connection,
    organisation: UUID,
    stamp: Stamp,
    profile: UUID,
    number: int,
    draft: Draft,
    expected: Collection[int] | None,
) -> Written[Revision]:
    """New content of a draft whose version is among those expected (``None`` expects any).

    Raises
    ------
    NotFound, Stale, NotLegal
        No such revision or parent; another version; not a draft any more.
    """
    row = _expected(connection, organisation, profile, number, expected, yours=draft.content)
    rules.move(_standing(row), Event.REPLACE)
    values = _kept(connection, organisation, stamp, profile, draft, below=number)
    row = _set(connection, row, stamp, author=stamp.access.key_name, **values)
    return Written(_whole(row, draft.content), (_change(row, "replaced"),))


def release(
    connection: Connection,
    organisation: UUID,
    stamp: Stamp,
    profile: UUID,
    number: int,
    expected: Collection[int] | None,
    reason: str,
    override: str | None = None,
) -> Written[RevisionSummary]:
    """Put a revision into use; the one that was in use is withdrawn as replaced, in the same write.

    Raises
    ------
    NotFound, Stale, NotLegal, Blocked, NotAllowed
        No such revision; another version; not in a state for it; a finding of severity stop without a reason to
        override it; an override by a role that may not.
    """
    row = _expected(connection, organisation, profile, number, expected)
    after = rules.clear_for_release(
        _standing(row), _FINDINGS.decode(row["findings"]), role=stamp.access.role, override=override
    )
    before = _retire(connection, organisation, stamp, profile, number)
    row = _set(
        connection,
        row,
        stamp,
        state=after.state.value,
        reason=reason,
        override=override,
        released=stamp.now,
        released_by=stamp.access.key_name,
        check_due=check_due(stamp.now),
    )
    moved = profiles.point(connection, organisation, stamp, profile, released=number)
    narrower = holdings.end_narrower(connection, organisation, stamp, profile)
    held = _held(connection, organisation, stamp, holdings.Place.everywhere(organisation), row)
    return Written(_wire(row), (*before, _change(row, "released"), moved, *narrower, held))


def release_provisionally(
    connection: Connection,
    organisation: UUID,
    stamp: Stamp,
    profile: UUID,
    number: int,
    expected: Collection[int] | None,
    request: ProvisionalReleaseRequest,
) -> Written[RevisionSummary]:
    """Let one branch use a revision for some days, instead of the organisation's.

    Raises
    ------
    NotFound, Stale, NotLegal, Blocked, NotAllowed
        As for a release; NotFound for the branch too.
    """
    row = _expected(connection, organisation, profile, number, expected)
    branch = UUID(request.branch)
    with named_by("branch"):
        branches.get(connection, organisation, branch)
    after = rules.clear_for_release(
        _standing(row),
        _FINDINGS.decode(row["findings"]),
        role=stamp.access.role,
        override=request.override,
        event=Event.RELEASE_PROVISIONALLY,
    )
    row = _set(
        connection,
        row,
        stamp,
        state=after.state.value,
        reason=request.reason,
        override=request.override,
        branch=branch,
        valid_until=stamp.now + timedelta(days=request.days),
    )
    held = _held(connection, organisation, stamp, holdings.Place.at(branch), row)
    return Written(_wire(row), (_change(row, "released_provisionally"), held))


def roll_out(
    connection: Connection,
    organisation: UUID,
    stamp: Stamp,
    profile: UUID,
    number: int,
    reason: str,
    override: str | None = None,
) -> Written[Entry]:
    """Freeze a revision for machines that take it up before everybody: in use by some, and provisional until released.

    Raises
    ------
    NotFound, NotLegal, Blocked, NotAllowed
        As for a release.
    """
    row = _row(connection, organisation, profile, number)
    after = rules.clear_for_release(
        _standing(row),
        _FINDINGS.decode(row["findings"]),
        role=stamp.access.role,
        override=override,
        event=Event.ROLL_OUT,
    )
    row = _set(connection, row, stamp, state=after.state.value, reason=reason, override=override)
    return Written(in_waves(_entry(connection, row)), (_change(row, "rolled_out"),))


def in_waves(entry: Entry) -> Entry:
    """A revision as the machines of a rollout hold it: until the rollout ends, whatever days a branch was given."""
    return msgspec.structs.replace(entry, valid_until=None)


def withdraw(
    connection: Connection,
    organisation: UUID,
    stamp: Stamp,
    profile: UUID,
    number: int,
    expected: Collection[int] | None,
    reason: str,
    because: Withdrawal,
) -> Written[RevisionSummary]:
    """Take a revision out of use, and say why; NotFound, Stale, NotLegal."""
    row = _expected(connection, organisation, profile, number, expected)
    in_use = row["state"] == State.RELEASED.value
    row, changes = _withdraw(connection, row, stamp, reason, because)
    moved = (profiles.point(connection, organisation, stamp, profile, released=None),) if in_use else ()
    return Written(_wire(row), (*changes, *moved))


def _retire(
    connection: Connection, organisation: UUID, stamp: Stamp, profile: UUID, successor: int
) -> tuple[Change, ...]:
    """Withdraw the revision that is in use, if there is one, because another takes its place."""
    number = profiles.get(connection, organisation, profile).released
    if number is None:
        return ()
    row = _row(connection, organisation, profile, number)
    reason = f"Revision {successor} was released in its place."
    return _withdraw(connection, row, stamp, reason, Withdrawal.REPLACED, ends=False)[1]


def _withdraw(
    connection: Connection, row: Row, stamp: Stamp, reason: str, because: Withdrawal, *, ends: bool = True
) -> tuple[Row, tuple[Change, ...]]:
    """The row withdrawn; its holdings end too, unless what takes its place ends them."""
    after = rules.move(_standing(row), rules.WITHDRAWALS[because])
    row = _set(
        connection,
        row,
        stamp,
        state=after.state.value,
        withdrawn=stamp.now,
        withdrawn_by=stamp.access.key_name,
        withdrawn_because=because.value,
        withdrawn_reason=reason,
    )
    told = _change(row, f"withdrawn_{because.value}")
    which = (connection, row["organisation"], stamp, row["profile"], row["number"])
    audiences = holdings.condemn(*which, row["digest"]) if because == Withdrawal.UNSAFE else (None,)
    ended = holdings.end_revision(*which) if ends else ()
    corrected = factors.end_revision(*which)
    return row, (*(altered(told, audience=audience) for audience in audiences), *ended, *corrected)


def _held(connection: Connection, organisation: UUID, stamp: Stamp, place: holdings.Place, row: Row) -> Change:
    """Let a place hold the revision of a row."""
    return holdings.begin(connection, organisation, stamp, place, _entry(connection, row))


def _entry(connection: Connection, row: Row) -> Entry:
    of_profile = profiles.get(connection, row["organisation"], row["profile"])
    return Entry(
        profile=of_profile.id,
        name=of_profile.name,
        machine_kind=of_profile.machine_kind,
        number=row["number"],
        digest=row["digest"],
        state=State(row["state"]),
        check_due=row["check_due"],
        valid_until=row["valid_until"] if row["state"] == State.PROVISIONAL.value else None,
    )


def _kept(
    connection: Connection,
    organisation: UUID,
    stamp: Stamp,
    profile: UUID,
    draft: Draft,
    below: int | None = None,
) -> dict[str, Any]:
    """The columns of a draft, after its content was stored and its parent was found."""
    if draft.parent is not None:
        _require_parent(connection, organisation, profile, draft.parent, below)
    contents.keep(connection, organisation, draft.digest, draft.content, stamp.now)
    return {
        "parent": draft.parent,
        "digest": draft.digest,
        "note": draft.note,
        "findings": msgspec.json.encode(draft.findings),
    }


def _require_parent(connection: Connection, organisation: UUID, profile: UUID, parent: int, below: int | None) -> None:
    if below is not None and parent >= below:
        raise NotFound("earlier revision", parent, field="parent")
    try:
        _row(connection, organisation, profile, parent)
    except NotFound as error:
        raise NotFound("revision", parent, field="parent") from error


def _expected(
    connection: Connection,
    organisation: UUID,
    profile: UUID,
    number: int,
    expected: Collection[int] | None,
    *,
    yours: bytes | None = None,
) -> Row:
    row = _row(connection, organisation, profile, number)
    if expected is not None and row["version"] not in expected:
        bodies = None
        if yours is not None:
            subject, version = f"{profile}/{number}", row["version"]
            base = history.body(connection, organisation, KIND, subject, version=version, expected=expected)
            theirs = contents.get(connection, organisation, row["digest"])
            bodies = Bodies(base if row["state"] == State.DRAFT.value else None, theirs, yours)
        raise Stale(_wire(row), row["version"], bodies)
    return row


def _row(connection: Connection, organisation: UUID, profile: UUID, number: int) -> Row:
    row = connection.execute(_ONE, of(organisation, profile=profile, number=number)).mappings().one_or_none()
    if row is None:
        raise NotFound("revision", f"{profile}/{number}")
    return row


def _set(connection: Connection, row: Row, stamp: Stamp, **values: object) -> Row:
    """The row with new values, one version on."""
    values |= {"version": row["version"] + 1, "changed": stamp.now}
    found = of(row["organisation"], profile=row["profile"], number=row["number"])
    connection.execute(_SET, found | values)
    return {**row, **values}


def _standing(row: Row) -> Standing:
    because = row["withdrawn_because"]
    return Standing(State(row["state"]), None if because is None else Withdrawal(because))


def _change(row: Row, event: str) -> Change:
    return Change(KIND, f"{row['profile']}/{row['number']}", event, row["digest"])


def _members(row: Row) -> dict[str, Any]:
    standing = _standing(row)
    return {name: row[name] for name in _AS_THEY_ARE} | {
        "profile": str(row["profile"]),
        "state": standing.state,
        "withdrawn_because": standing.because,
        "branch": None if row["branch"] is None else str(row["branch"]),
        "findings": _FINDINGS.decode(row["findings"]),
    }


def _wire(row: Row) -> RevisionSummary:
    return RevisionSummary(**_members(row))


def _whole(row: Row, content: bytes) -> Revision:
    return Revision(**_members(row), content=msgspec.Raw(content))
