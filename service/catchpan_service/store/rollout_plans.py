"""Planning a rollout: which machine is in which wave, what it runs, and what is wanted of it before."""

from collections.abc import Collection, Mapping
from typing import NamedTuple
from uuid import UUID

from sqlalchemy import Connection

from catchpan.contract.rollouts import PlannedMachine, RolloutRequest
from catchpan.contract.sync import Target
from catchpan_service.rules.waves import assign
from catchpan_service.store import contents, holdings, revisions, rollout_machines, running
from catchpan_service.store.errors import NotFound
from catchpan_service.store.rollout_machines import Found


class Plan(NamedTuple):
    """The wave of each machine; each as it is told; the contents of all revisions that they run and are to run."""

    waves: Mapping[UUID, int]
    machines: list[PlannedMachine]
    contents: dict[int, bytes]


def plan(connection: Connection, organisation: UUID, request: RolloutRequest, kind: str) -> Plan:
    """The machines of a rollout; NotFound for a branch without a machine of the kind, BadWave."""
    found = rollout_machines.candidates(connection, organisation, kind)
    _require_branches(request, found)
    seed = f"{request.profile}/{request.number}"
    waves = assign(request.waves, {one: told.candidate for one, told in found.items()}, seed)
    machines = _planned(connection, organisation, request, waves, found)
    numbers = {request.number, *(number for one in machines if (number := before(one)) is not None)}
    return Plan(waves, machines, _contents(connection, organisation, UUID(request.profile), numbers))


def before(machine: PlannedMachine) -> int | None:
    """The revision that a machine runs, or is to run where nobody has said."""
    return machine.wanted if machine.runs is None else machine.runs


def _require_branches(request: RolloutRequest, found: Mapping[UUID, Found]) -> None:
    there = {str(one.branch) for one in found.values()}
    for index, wave in enumerate(request.waves):
        for place, branch in enumerate(wave.branches):
            if branch not in there:
                field = f"waves/{index}/branches/{place}"
                raise NotFound("branch with a machine of this kind", branch, field=field)


def _planned(
    connection: Connection,
    organisation: UUID,
    request: RolloutRequest,
    assigned: Mapping[UUID, int],
    found: Mapping[UUID, Found],
) -> list[PlannedMachine]:
    """Every machine, by wave and name, with what it runs and what is wanted of it before the rollout."""
    profile = UUID(request.profile)
    held = holdings.of_profile(connection, organisation, profile)
    everybody = held.get((Target.ORGANISATION, organisation))
    heard = running.heard(connection, organisation, profile, request.number)
    told = []
    for machine, wave in assigned.items():
        one, known = found[machine], heard.get(machine)
        of_branch = held.get((Target.BRANCH, one.branch), everybody)
        told.append(
            PlannedMachine(
                machine=str(machine),
                name=one.name,
                branch=str(one.branch),
                wave=wave,
                runs=None if known is None or known.runs is None else known.runs.number,
                wanted=held.get((Target.MACHINE, machine), of_branch),
            )
        )
    return sorted(told, key=lambda one: (one.wave, one.name))


def _contents(connection: Connection, organisation: UUID, profile: UUID, numbers: Collection[int]) -> dict[int, bytes]:
    found = {}
    for number in numbers:
        digest = revisions.summary(connection, organisation, profile, number).digest
        found[number] = contents.get(connection, organisation, digest)
    return found
