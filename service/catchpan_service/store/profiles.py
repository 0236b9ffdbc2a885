"""Profiles of an organisation: one for each material on each machine kind."""

from typing import Any
from uuid import UUID

from sqlalchemy import Connection, Row, insert, select, update

from catchpan.contract.profiles import Profile, ProfilePage, ProfileRequest
from catchpan_service.store import cursors, machine_kinds, materials
from catchpan_service.store.cursors import DEFAULT_LIMIT
from catchpan_service.store.errors import Conflict, NotFound
from catchpan_service.store.tables import profiles
from catchpan_service.store.writes import Change, Stamp, Written

KIND = "profile"


def get(connection: Connection, organisation: UUID, subject: UUID) -> Profile:
    """The profile; NotFound."""
    row = connection.execute(select(profiles).where(*_is(organisation, subject))).one_or_none()
    if row is None:
        raise NotFound("profile", subject)
    return _wire(row)


def page(
    connection: Connection, organisation: UUID, cursor: str | None = None, limit: int = DEFAULT_LIMIT
) -> ProfilePage:
    """One page of profiles; BadCursor."""
    statement = select(profiles).where(profiles.c.organisation == organisation)
    if cursor is not None:
        statement = statement.where(profiles.c.id > UUID(cursors.read(organisation, KIND, cursor)))
    found = connection.execute(statement.order_by(profiles.c.id).limit(cursors.check_limit(limit) + 1)).all()
    rows, last = cursors.split(found, limit)
    following = None if last is None else cursors.write(organisation, KIND, str(last.id))
    return ProfilePage(items=[_wire(row) for row in rows], next=following)


def add(connection: Connection, organisation: UUID, stamp: Stamp, request: ProfileRequest) -> Written[Profile]:
    """A new profile, still without a revision.

    Raises
    ------
    NotFound
        There is no such material or machine kind; ``field`` says which of them.
    Conflict
        This material has a profile on this machine kind.
    """
    material, machine_kind = UUID(request.material), UUID(request.machine_kind)
    _require_parts(connection, organisation, material, machine_kind)
    _require_free(connection, organisation, material, machine_kind)
    subject = stamp.new_id()
    connection.execute(
        insert(profiles).values(
            organisation=organisation,
            id=subject,
            version=1,
            material=material,
            machine_kind=machine_kind,
            name=request.name,
            created=stamp.now,
            changed=stamp.now,
        )
    )
    return Written(get(connection, organisation, subject), (Change(KIND, str(subject), "added"),))


def point(connection: Connection, organisation: UUID, stamp: Stamp, subject: UUID, **numbers: int | None) -> Change:
    """Set which revision is the ``latest`` or the ``released`` one."""
    connection.execute(
        update(profiles)
        .where(*_is(organisation, subject))
        .values(version=profiles.c.version + 1, changed=stamp.now, **numbers)
    )
    return Change(KIND, str(subject), "changed")


def _require_parts(connection: Connection, organisation: UUID, material: UUID, machine_kind: UUID) -> None:
    for field, get_part, part in (
        ("material", materials.get, material),
        ("machine_kind", machine_kinds.get, machine_kind),
    ):
        try:
            get_part(connection, organisation, part)
        except NotFound as error:
            raise NotFound(error.kind, part, field=field) from error


def _require_free(connection: Connection, organisation: UUID, material: UUID, machine_kind: UUID) -> None:
    holder = connection.execute(
        select(profiles.c.id).where(
            profiles.c.organisation == organisation,
            profiles.c.material == material,
            profiles.c.machine_kind == machine_kind,
        )
    ).scalar_one_or_none()
    if holder is not None:
        raise Conflict("This material has a profile on this machine kind.", field="material", existing=str(holder))


def _is(organisation: UUID, subject: UUID) -> tuple[Any, Any]:
    return profiles.c.organisation == organisation, profiles.c.id == subject


def _wire(row: Row[Any]) -> Profile:
    return Profile(
        id=str(row.id),
        version=row.version,
        material=str(row.material),
        machine_kind=str(row.machine_kind),
        name=row.name,
        latest=row.latest,
        released=row.released,
        created=row.created,
        changed=row.changed,
    )
