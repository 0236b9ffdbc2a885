"""Wanted against running, now and at any instant."""

from collections import defaultdict
from collections.abc import Collection, Iterator
from datetime import datetime
from typing import NamedTuple
from uuid import UUID

import msgspec
from sqlalchemy import Connection

from catchpan.contract.branches import Machine
from catchpan.contract.corrections import Correction
from catchpan.contract.profiles import Conditions
from catchpan.contract.running import Drift, DriftPage, MachineHistory, MachineProfile, PastSetting, Running, Wanted
from catchpan.contract.sync import Target
from catchpan.manifests import Held
from catchpan_service.rules import drift as rules
from catchpan_service.store import audit, commissionings, contents, factors, feed, holdings, machines, profiles, running
from catchpan_service.store import wanted as wanting
from catchpan_service.store.errors import NotFound


class _Conditions(msgspec.Struct):
    """What is read of a content here."""

    conditions: Conditions | None = None


_CONDITIONS = msgspec.json.Decoder(_Conditions)


class Place(NamedTuple):
    """Where the holdings that may concern a machine are."""

    target: Target
    subject: str


def page(
    connection: Connection,
    organisation: UUID,
    now: datetime,
    only_drift: bool,
    cursor: str | None,
    limit: int,
    within: UUID | None = None,
) -> DriftPage:
    """Wanted and running of some machines, of one branch or of all; BadCursor."""
    listed = machines.page(connection, organisation, cursor, limit, within)
    position = feed.state(connection, organisation).position
    unsafe = {(one.profile, one.number) for one in holdings.found_unsafe(connection, organisation, None, position)}
    held = defaultdict(list)
    for one in holdings.present(connection, organisation, position).values():
        held[Place(one.held.target, one.held.id)].append(one.held)
    ran = running.at(connection, organisation, [UUID(one.id) for one in listed.items], now)
    found = [
        told
        for machine in listed.items
        for told in _of_machine(
            connection, organisation, machine, _concerning(held, machine, organisation), ran, unsafe
        )
        if not (only_drift and told.standing == Drift.AS_WANTED)
    ]
    return DriftPage(items=found, next=listed.next)


def _concerning(held: dict[Place, list[Held]], machine: Machine, organisation: UUID) -> Iterator[Held]:
    for place in (
        Place(Target.ORGANISATION, str(organisation)),
        Place(Target.BRANCH, machine.branch),
        Place(Target.MACHINE, machine.id),
    ):
        yield from held.get(place, ())


def _of_machine(
    connection: Connection,
    organisation: UUID,
    machine: Machine,
    held: Iterator[Held],
    ran: dict[tuple[str, str], Running],
    unsafe: Collection[tuple[str, int]],
) -> Iterator[MachineProfile]:
    wanted = {one.entry.profile: one for one in wanting.narrowest(held, machine)}
    names = {profile: one.entry.name for profile, one in wanted.items()}
    own = {profile: one for (subject, profile), one in ran.items() if subject == machine.id}
    for profile in sorted(wanted.keys() | own.keys(), key=lambda one: (names.get(one, ""), one)):
        there, runs = wanted.get(profile), own.get(profile)
        standing, why = rules.judge(
            None if there is None else there.entry.number,
            None if runs is None else runs.number,
            same_content=there is not None and runs is not None and there.entry.digest == runs.digest,
            unsafe=runs is not None and (profile, runs.number) in unsafe,
        )
        yield MachineProfile(
            machine=machine.id,
            machine_name=machine.name,
            branch=machine.branch,
            profile=profile,
            profile_name=names.get(profile) or profiles.get(connection, organisation, UUID(profile)).name,
            wanted=None if there is None else _wanted(there),
            running=runs,
            standing=standing,
            why=why,
        )


def _wanted(one: wanting.Wanted) -> Wanted:
    assert one.target is not None  # a holding's
    return Wanted(number=one.entry.number, digest=one.entry.digest, held_by=one.target)


def at(
    connection: Connection, organisation: UUID, subject: UUID, moment: datetime, within: UUID | None = None
) -> MachineHistory:
    """What was in force on a machine at an instant.

    Raises
    ------
    NotFound
        No such machine; or it is of another branch, now, than the one that asks.
    """
    machines.get(connection, organisation, subject, within)
    position = audit.position_at(connection, organisation, moment)
    if position == 0:
        raise NotFound("state of this organisation at", f"{moment:%Y-%m-%d %H:%M}", field="at")
    machine = machines.at(connection, organisation, subject, position)
    ran = running.at(connection, organisation, [subject], moment)
    done = commissionings.latest(connection, organisation, subject, moment)
    corrected = [
        factors.ENTRY.decode(one.entry) for one in factors.at(connection, organisation, UUID(machine.branch), position)
    ]
    return MachineHistory(
        machine=machine.id,
        machine_name=machine.name,
        branch=machine.branch,
        at=moment,
        position=position,
        commissioning=None if done is None else done.number,
        settings=[
            PastSetting(
                profile=one.entry.profile,
                profile_name=one.entry.name,
                wanted=_wanted(one),
                running=ran.get((machine.id, one.entry.profile)),
                correction=_its(corrected, machine, one),
                conditions=_CONDITIONS.decode(contents.get(connection, organisation, one.entry.digest)).conditions,
                content=f"/v1/profiles/{one.entry.profile}/revisions/{one.entry.number}/content",
            )
            for one in wanting.of_machine(connection, organisation, machine, position)
        ],
    )


def _its(corrected: list[Correction], machine: Machine, one: wanting.Wanted) -> Correction | None:
    place = (machine.id, one.entry.profile, one.entry.number)
    return next((its for its in corrected if (its.machine, its.profile, its.number) == place), None)
