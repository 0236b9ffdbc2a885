"""``catchpan machine``: the spreaders, what was found on each, and what each is to be set to."""

from typing import Any

from cyclopts import App

from catchpan.cli.branch import branch_id
from catchpan.cli.commissioning import commission, history
from catchpan.cli.connection import Common
from catchpan.cli.lookup import by_name
from catchpan.cli.machine_check import caught, charts, checks, strike, used
from catchpan.cli.printing import number, put, put_findings, put_json, put_table, say, told
from catchpan.cli.running import on, taken_up
from catchpan.contract.branches import Machine, MachineRequest
from catchpan.contract.commissionings import MachineSettings

app = App(name="machine", help="Spreaders: what was found on each, and its settings.", help_format="plaintext")
app.command(commission)
app.command(history)
app.command(taken_up)
app.command(on)
for _of_checks in (caught, used, checks, strike, charts):
    app.command(_of_checks)
_DEFAULT = Common()


@app.command
def add(
    name: str,
    /,
    *,
    branch: str,
    kind: str,
    serial: str = "",
    tag: list[str] | None = None,
    note: str = "",
    dry_run: bool = False,
    common: Common = _DEFAULT,
) -> None:
    """Add a machine at a branch.

    Example: catchpan machine add AH-07 --branch "North yard" --kind "Ride-on 120" --tag ice

    Parameters
    ----------
    name
        What it is called.
    branch
        Name or id of its branch.
    kind
        Name or id of its machine kind.
    serial
        The maker's number.
    tag
        A word to pick it by; may be given several times.
    note
        Anything worth knowing.
    dry_run
        Say what would happen, and store nothing.
    """
    with common.client(stores=True) as client:
        request = MachineRequest(
            name=name,
            branch=branch_id(client, branch),
            machine_kind=by_name("machine kind", kind, client.all_machine_kinds).id,
            serial=serial,
            tags=tag or [],
            note=note,
        )
        made = client.add_machine(request, dry_run=dry_run)
    say("nothing stored: this was a dry run" if dry_run else f"added {made.name}")
    _print_one(made, common)


def _print_one(machine: Machine, common: Common) -> None:
    if common.json:
        put_json(machine)
    else:
        put(f"{machine.name}   {machine.id}")


@app.command(name="list")
def list_(*, branch: str | None = None, common: Common = _DEFAULT) -> None:
    """List the machines.

    Example: catchpan machine list --branch "North yard"

    Parameters
    ----------
    branch
        Name or id of one branch.
    """
    with common.client(stores=True) as client:
        at = None if branch is None else branch_id(client, branch)
        found = list(client.all_machines(branch=at))
        yards = {one.id: one.name for one in client.all_branches()}
        kinds = {one.id: one.name for one in client.all_machine_kinds()}
    if common.json:
        put_json(found)
        return
    rows = [[one.name, yards[one.branch], kinds[one.machine_kind], one.serial or "-", _words(one)] for one in found]
    put_table(["machine", "branch", "kind", "serial", "tags"], rows)


def _words(machine: Machine) -> str:
    return ", ".join(machine.tags) or "-"


@app.command
def move(name: str, /, *, branch: str, dry_run: bool = False, common: Common = _DEFAULT) -> None:
    """Move a machine to another branch; what it holds itself goes with it.

    Example: catchpan machine move AH-07 --branch "South yard"

    Parameters
    ----------
    name
        Name or id of the machine.
    branch
        Name or id of the branch where it is from now on.
    dry_run
        Say what would happen, and store nothing.
    """
    with common.client(stores=True) as client:
        found: Machine = by_name("machine", name, client.all_machines)
        kept = {one: getattr(found, one) for one in MachineRequest.__struct_fields__}
        request = MachineRequest(**kept | {"branch": branch_id(client, branch)})
        made = client.replace_machine(found.id, request, version=found.version, dry_run=dry_run)
    say("nothing stored: this was a dry run" if dry_run else f"{made.name} is at {branch} now")
    _print_one(made, common)


@app.command
def settings(
    name: str, profile: str, /, *, revision: int | None = None, table: bool = False, common: Common = _DEFAULT
) -> None:
    """Say what a machine is to be set to for a profile: openings, and the positions of its own actuators.

    Example: catchpan machine settings AH-07 "Hollow Green 24-0-11 on Ride-on 120" --table

    Parameters
    ----------
    name
        Name or id of the machine.
    profile
        Name or id of the profile.
    revision
        Number of another revision to try.
    table
        Print the gate table too, for a controller that takes one.
    """
    with common.client(stores=True) as client:
        found = by_name("machine", name, client.all_machines)
        wanted = by_name("profile", profile, client.all_profiles)
        answer = client.machine_settings(found.id, wanted.id, number=revision)
    if common.json:
        put_json(answer)
    else:
        show_machine(answer, table=table)


def show_machine(answer: MachineSettings, *, table: bool) -> None:
    """Print what a machine is to be set to: the works first, what backs them last."""
    put(f"{answer.name}: {answer.profile_name}, revision {answer.number} ({answer.state.value})")
    put()
    sides = [one.side for one in answer.works[0].positions] if answer.works else []
    rows = [
        [
            one.purpose,
            told(one.rate),
            told(one.speed),
            one.pass_name,
            told(one.set_opening, 3),
            *(number(gate.position) for gate in one.positions),
        ]
        for one in answer.works
    ]
    header = ["work", "rate", "speed", "pass", "set opening", *(_actuator(side) for side in sides)]
    put_table(header, [row + ["-"] * (len(header) - len(row)) for row in rows])
    if table and answer.gate_table is not None:
        put()
        _show_table(answer)
    put()
    put_findings(answer.findings)
    backed = "never commissioned" if answer.commissioning is None else f"commissioning {answer.commissioning}"
    corrected = "no correction" if answer.correction == 1 else f"flow corrected by {answer.correction:g}"
    put(f"Content {answer.digest[:19]}..., {backed}, {corrected}")


def _actuator(side: str) -> str:
    return "actuator" if side == "both" else f"actuator {side}"


def _show_table(answer: MachineSettings) -> None:
    found: Any = answer.gate_table
    header = [f"opening [{found.openings.unit}]", f"flow [{found.flows.unit}]"]
    columns = [found.openings.values, found.flows.values, *(one.positions for one in found.gates)]
    rows = [[number(value) for value in row] for row in zip(*columns, strict=True)]
    put_table([*header, *(_actuator(one.side) for one in found.gates)], rows)
