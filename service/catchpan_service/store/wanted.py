"""What a machine is to be set to: the narrowest holding of each profile of its kind, and what goes with it."""

from collections.abc import Iterable
from datetime import datetime
from typing import NamedTuple
from uuid import UUID

import msgspec
from sqlalchemy import Connection, RowMapping

from catchpan.contract.branches import Machine
from catchpan.contract.corrections import Correction
from catchpan.contract.machine_kinds import MachineKind
from catchpan.contract.sync import Entry, Target
from catchpan.manifests import Held
from catchpan_service.store import (
    commissionings,
    contents,
    factors,
    feed,
    holdings,
    machine_checks,
    machine_kinds,
    machines,
    revisions,
)
from catchpan_service.store.commissionings import Recorded
from catchpan_service.store.errors import NotFound, named_by

_NARROWNESS = {Target.ORGANISATION: 0, Target.BRANCH: 1, Target.MACHINE: 2}
_ENTRY = msgspec.json.Decoder(Entry)


class Wanted(NamedTuple):
    """The revision of a profile that a machine is to use, and for whom it is held: nobody where it is only tried."""

    target: Target | None
    entry: Entry


class Basis(NamedTuple):
    """Everything that a machine's setting follows from."""

    machine: Machine
    kind: MachineKind
    wanted: Wanted
    content: bytes
    commissioning: Recorded | None
    correction: Correction | None
    checked: list[RowMapping]


def of_machine(
    connection: Connection, organisation: UUID, machine: Machine, position: int | None = None
) -> list[Wanted]:
    """The revisions that a machine is to use, by the names of their profiles, now or at a position of the feed."""
    at = feed.state(connection, organisation).position if position is None else position
    return narrowest(holdings.of_machine(connection, organisation, UUID(machine.id), UUID(machine.branch), at), machine)


def narrowest(held: Iterable[Held], machine: Machine) -> list[Wanted]:
    """The narrowest holding of each profile of a machine's kind, among those that may concern it, by name."""
    found: dict[str, tuple[int, Wanted]] = {}
    for one in held:
        narrowness = _NARROWNESS[one.target]
        if narrowness > found[one.profile][0] if one.profile in found else True:
            entry = _ENTRY.decode(one.entry)
            if entry.machine_kind == machine.machine_kind:
                found[one.profile] = (narrowness, Wanted(one.target, entry))
    return sorted((one for _, one in found.values()), key=lambda one: (one.entry.name, one.entry.profile))


def basis(
    connection: Connection,
    organisation: UUID,
    machine: UUID,
    profile: UUID,
    number: int | None,
    now: datetime,
    within: UUID | None = None,
) -> Basis:
    """What the setting of a machine for one profile follows from; ``number`` tries another revision than the wanted.

    Raises
    ------
    NotFound
        No such machine or revision; it is to use no revision of that profile; the profile is for another kind.
    """
    found = machines.get(connection, organisation, machine, within)
    if number is None:
        held = [one for one in of_machine(connection, organisation, found) if one.entry.profile == str(profile)]
    else:
        with named_by("number"):
            held = [Wanted(None, revisions.entry(connection, organisation, profile, number, within))]
    if not held or held[0].entry.machine_kind != found.machine_kind:
        raise NotFound("profile of this machine", profile, field="profile")
    return Basis(
        machine=found,
        kind=machine_kinds.get(connection, organisation, UUID(found.machine_kind)),
        wanted=held[0],
        content=contents.get(connection, organisation, held[0].entry.digest),
        commissioning=commissionings.latest(connection, organisation, machine, now),
        correction=factors.of_machine(connection, organisation, found, str(profile), held[0].entry.number, now),
        checked=machine_checks.of_kind(connection, organisation, UUID(found.machine_kind)),
    )
