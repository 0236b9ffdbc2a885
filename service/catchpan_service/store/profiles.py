"""Profiles of an organisation: one for each material on each machine kind."""

from collections.abc import Mapping
from typing import Any, Final
from uuid import UUID

from sqlalchemy import Connection, bindparam, insert, select, update

from catchpan.contract.profiles import Profile, ProfilePage, ProfileRequest
from catchpan_service.store import cursors, holdings, machine_kinds, materials
from catchpan_service.store.cursors import DEFAULT_LIMIT
from catchpan_service.store.documents import FIRST
from catchpan_service.store.errors import Conflict, NotFound, named_by
from catchpan_service.store.statements import of, owned
from catchpan_service.store.tables import profiles
from catchpan_service.store.writes import Change, Stamp, Written

KIND: Final = "profile"

_ONE: Final = select(profiles).where(*owned(profiles, "id"))
_PAGE: Final = (
    select(profiles)
    .where(*owned(profiles), profiles.c.id > bindparam("after"))
    .order_by(profiles.c.id)
    .limit(bindparam("most"))
)
_PAGE_FOR_BRANCH: Final = _PAGE.where(holdings.visible(profiles.c.id))
_HOLDER: Final = select(profiles.c.id).where(*owned(profiles, "material", "machine_kind"))
_ADD: Final = insert(profiles)
_POINT: Final = update(profiles).where(*owned(profiles, "id")).values(version=profiles.c.version + 1)


def get(connection: Connection, organisation: UUID, subject: UUID, within: UUID | None = None) -> Profile:
    """The profile; NotFound, also for one that was never for the branch that is asked about."""
    row = connection.execute(_ONE, of(organisation, id=subject)).mappings().one_or_none()
    if row is None or (within is not None and not holdings.is_for(connection, organisation, within, subject)):
        raise NotFound("profile", subject)
    return _wire(row, within)


def page(
    connection: Connection,
    organisation: UUID,
    cursor: str | None = None,
    limit: int = DEFAULT_LIMIT,
    within: UUID | None = None,
) -> ProfilePage:
    """One page of profiles, of all or of those that were ever for a branch; BadCursor."""
    after = UUID(cursors.read(organisation, KIND, cursor)) if cursor else FIRST
    asked = of(organisation) | {"after": after, "most": cursors.check_limit(limit) + 1}
    statement = _PAGE
    if within is not None:
        statement, asked = _PAGE_FOR_BRANCH, asked | {"branch": within}
    rows, last = cursors.split(connection.execute(statement, asked).mappings().all(), limit)
    following = None if last is None else cursors.write(organisation, KIND, str(last["id"]))
    return ProfilePage(items=[_wire(row, within) for row in rows], next=following)


def add(connection: Connection, organisation: UUID, stamp: Stamp, request: ProfileRequest) -> Written[Profile]:
    """A new profile, still without a revision.

    Raises
    ------
    NotFound
        There is no such material or machine kind; ``field`` says which of them.
    Conflict
        This material has a profile on this machine kind.
    """
    parts = {"material": UUID(request.material), "machine_kind": UUID(request.machine_kind)}
    _require_parts(connection, organisation, **parts)
    row = {
        "organisation": organisation,
        "id": stamp.new_id(),
        "version": 1,
        **parts,
        "name": request.name,
        "latest": None,
        "released": None,
        "created": stamp.now,
        "changed": stamp.now,
    }
    connection.execute(_ADD, row)
    return Written(_wire(row), (Change(KIND, str(row["id"]), "added"),))


def point(connection: Connection, organisation: UUID, stamp: Stamp, subject: UUID, **numbers: int | None) -> Change:
    """Set which revision is the ``latest`` or the ``released`` one."""
    connection.execute(_POINT, of(organisation, id=subject) | {"changed": stamp.now} | numbers)
    return Change(KIND, str(subject), "changed")


def _require_parts(connection: Connection, organisation: UUID, *, material: UUID, machine_kind: UUID) -> None:
    with named_by("material"):
        materials.get(connection, organisation, material)
    with named_by("machine_kind"):
        machine_kinds.get(connection, organisation, machine_kind)
    asked = of(organisation, material=material, machine_kind=machine_kind)
    holder = connection.execute(_HOLDER, asked).scalar_one_or_none()
    if holder is not None:
        said = "This material has a profile on this machine kind."
        raise Conflict(said, field="material", existing=str(holder))


def _wire(row: Mapping[Any, Any], within: UUID | None = None) -> Profile:
    """As it travels; a branch is told of no revision beyond the one in use."""
    altered: dict[str, Any] = {name: str(row[name]) for name in ("id", "material", "machine_kind")}
    if within is not None:
        altered["latest"] = row["released"]
    return Profile(**{name: row[name] for name in Profile.__struct_fields__} | altered)
