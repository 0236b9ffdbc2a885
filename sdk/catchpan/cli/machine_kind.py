"""``catchpan machine-kind``: machines that one profile fits."""

from typing import Literal

from cyclopts import App

from catchpan.cli.arguments import AMass, ARatio
from catchpan.cli.connection import Common
from catchpan.cli.lookup import by_name
from catchpan.cli.printing import put, put_findings, put_json, put_table, say, told
from catchpan.contract.machine_checks import KindSpread
from catchpan.contract.machine_kinds import MachineKind, MachineKindRequest

app = App(name="machine-kind", help="Machines that one profile fits.", help_format="plaintext")
_DEFAULT = Common()


@app.command
def add(
    name: str,
    /,
    *,
    gates: Literal[1, 2] = 1,
    impellers: Literal[1, 2] = 1,
    opening_step: ARatio | None = None,
    hopper: AMass | None = None,
    note: str = "",
    dry_run: bool = False,
    common: Common = _DEFAULT,
) -> None:
    """Add a machine kind.

    Example: catchpan machine-kind add "Ride-on 120" --gates 1 --opening-step "0.5 %"

    Parameters
    ----------
    name
        What the kind is called here.
    gates
        Metering gates, 1 or 2.
    impellers
        Spinning impellers, 1 or 2.
    opening_step
        Smallest step of the controller.
    hopper
        What the hopper holds.
    note
        Anything worth knowing.
    dry_run
        Say what would happen, and store nothing.
    """
    request = MachineKindRequest(
        name=name, gates=gates, impellers=impellers, opening_step=opening_step, hopper=hopper, note=note
    )
    with common.client(stores=True) as client:
        made = client.add_machine_kind(request, dry_run=dry_run)
    say("nothing stored: this was a dry run" if dry_run else f"added {made.name}")
    _print([made], common)


@app.command(name="list")
def list_(*, common: Common = _DEFAULT) -> None:
    """List the machine kinds.

    Example: catchpan machine-kind list
    """
    with common.client(stores=True) as client:
        _print(list(client.all_machine_kinds()), common)


@app.command
def show(name: str, /, *, common: Common = _DEFAULT) -> None:
    """Show one machine kind.

    Example: catchpan machine-kind show "Ride-on 120"

    Parameters
    ----------
    name
        Its name or id.
    """
    with common.client(stores=True) as client:
        found = by_name("machine kind", name, client.all_machine_kinds)
    if common.json:
        put_json(found)
    else:
        _print([found], common)


@app.command
def spread(name: str, /, *, common: Common = _DEFAULT) -> None:
    """Say how much the machines of a kind differ, by their last check catches.

    Example: catchpan machine-kind spread "Ride-on 120"

    Parameters
    ----------
    name
        Its name or id.
    """
    with common.client(stores=True) as client:
        found = by_name("machine kind", name, client.all_machine_kinds)
        made = client.kind_spread(found.id)
    if common.json:
        put_json(made)
    else:
        show_spread(found.name, made)


def show_spread(name: str, made: KindSpread) -> None:
    """Print how much machines of a kind differ."""
    if made.machines:
        rows = [[one.name, str(one.checks), f"{one.deviation.to('%'):+.1f} %"] for one in made.machines]
        put_table(["machine", "revisions", "against the others"], rows)
        put()
    if made.spread is not None:
        put(f"{name}: machines differ by {told(made.spread, 2)} (standard deviation of {made.machines_checked})")
        put()
    put_findings(made.findings)


def _print(found: list[MachineKind], common: Common) -> None:
    if common.json:
        put_json(found)
        return
    rows = [
        [one.name, str(one.gates), str(one.impellers), told(one.opening_step), told(one.hopper), one.note or "-"]
        for one in found
    ]
    put_table(["machine kind", "gates", "impellers", "step", "hopper", "note"], rows)
