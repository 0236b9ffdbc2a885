"""What a service holds of a fleet, as the values of each sheet."""

from collections.abc import Callable, Iterator
from typing import Any

import msgspec

from catchpan.contract.branches import BranchRequest
from catchpan.contract.bulk import BulkCommissioning, BulkMachine
from catchpan.contract.machine_kinds import MachineKindRequest
from catchpan.contract.materials import MaterialRequest
from catchpan.contract.profiles import Content
from catchpan.fleet.sheets import Caught

Tell = Callable[[str], None]


def stored(client: Any, tell: Tell) -> dict[str, list[Any]]:
    """The values of every sheet, oldest first; of catches, those of the revision in use of each profile."""
    tell("reading materials, machine kinds and branches")
    materials = [_as(MaterialRequest, one) for one in client.all_materials()]
    kinds, branches = list(client.all_machine_kinds()), list(client.all_branches())
    tell("reading machines")
    machines = list(client.all_machines())
    names = {one.id: one.name for one in (*kinds, *branches)}
    return {
        "materials": materials,
        "machine_kinds": [_as(MachineKindRequest, one) for one in kinds],
        "branches": [_as(BranchRequest, one) for one in branches],
        "machines": [_named(one, names) for one in machines],
        "commissionings": list(_commissionings(client, machines, tell)),
        "catches": list(_catches(client, tell)),
    }


def _as(kind: type[Any], one: Any) -> Any:
    """What somebody would send to have this."""
    return kind(**{name: getattr(one, name) for name in kind.__struct_fields__})


def _named(machine: Any, names: dict[str, str]) -> BulkMachine:
    found: BulkMachine = _as(BulkMachine, machine)
    return msgspec.structs.replace(found, branch=names[machine.branch], machine_kind=names[machine.machine_kind])


def _commissionings(client: Any, machines: list[Any], tell: Tell) -> Iterator[BulkCommissioning]:
    for number, machine in enumerate(machines):
        if number % 500 == 0:
            tell(f"reading commissionings, machine {number + 1} of {len(machines)}")
        for one in reversed(list(client.all_commissionings(machine.id))):
            found = client.commissioning(machine.id, one.number)
            yield BulkCommissioning(machine=machine.name, record=found.record)


def _catches(client: Any, tell: Tell) -> Iterator[Caught]:
    tell("reading catches")
    for profile in client.all_profiles():
        if profile.released is not None:
            content = content_of(client, profile.id, profile.released)
            caught = [] if content.calibration is None else content.calibration.catches
            yield from (Caught(profile=profile.name, caught=one) for one in caught)


def content_of(client: Any, profile: str, number: int) -> Content:
    """The content of a revision."""
    return msgspec.json.decode(client.revision(profile, number).content, type=Content)
