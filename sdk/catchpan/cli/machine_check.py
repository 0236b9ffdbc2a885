"""Checks of one machine that are kept, as ``catchpan machine`` records and charts them."""

from datetime import datetime
from pathlib import Path
from typing import Any

import msgspec

from catchpan.cli.arguments import ALength, AMass, AnArea, ARate, ARatio, moment_of
from catchpan.cli.check import show_catch, show_field
from catchpan.cli.connection import Common
from catchpan.cli.lookup import by_name
from catchpan.cli.printing import put, put_findings, put_json, put_table, say, told
from catchpan.contract.machine_checks import (
    CaughtAgain,
    MachineCharts,
    MachineCheck,
    MachineCheckRequest,
    MachineCheckSummary,
    MaterialChart,
    UsedMaterial,
)
from catchpan.errors import TableError
from catchpan.tables import read_catches

_DEFAULT = Common()


def caught(
    name: str,
    profile: str,
    catches: Path,
    /,
    *,
    by: str,
    revision: int | None = None,
    at: datetime | None = None,
    lot: str = "",
    tolerance: ARatio | None = None,
    scale_readability: AMass | None = None,
    note: str = "",
    dry_run: bool = False,
    common: Common = _DEFAULT,
) -> None:
    """Record check catches on a machine: accept, catch again, correct, or calibrate again.

    Example: catchpan machine caught AH-07 "Hollow Green on Ride-on 120" checks.csv --by "R. Example"

    Parameters
    ----------
    name
        Name or id of the machine.
    profile
        Name or id of the profile.
    catches
        A catch file (CSV) of the check catches, best at two openings far apart.
    by
        Who caught.
    revision
        Number of the revision; the one in use by default.
    at
        When; now by default.
    lot
        The lot, as on the bag.
    tolerance
        How far the true rate may be off; 5 % by default.
    scale_readability
        Smallest step of the scale, such as "0.02 lb".
    note
        Anything worth knowing.
    dry_run
        Say what would be stored, and store nothing.
    """
    said = CaughtAgain(catches=read_catches(catches), tolerance=tolerance, scale_readability=scale_readability)
    with common.client(stores=True) as client:
        machine, record = _begun(client, name, profile, revision, at, by, lot, note)
        made = client.add_machine_check(machine, _with(record, caught=said), dry_run=dry_run)
    _print(made, common, dry_run=dry_run)


def used(
    name: str,
    profile: str,
    amount: AMass,
    /,
    *,
    by: str,
    work: str | None = None,
    rate: ARate | None = None,
    laid_width: ALength | None = None,
    distance: ALength | None = None,
    area: AnArea | None = None,
    revision: int | None = None,
    at: datetime | None = None,
    lot: str = "",
    note: str = "",
    dry_run: bool = False,
    common: Common = _DEFAULT,
) -> None:
    """Record the material that a machine used on a job, and hold it against the ground.

    Example: catchpan machine used AH-07 "Hollow Green on Ride-on 120" "412 lb" --work "spring feeding" --area "2.9 ac" --by "R. Example"

    Parameters
    ----------
    name
        Name or id of the machine.
    profile
        Name or id of the profile.
    amount
        Material used, as the scale or the bags say.
    by
        Who says so.
    work
        A work rate of the revision, by its purpose: rate and width are its.
    rate
        The rate that was wanted, if it was another.
    laid_width
        What each pass answers for, if it was another.
    distance
        Driven with open gates.
    area
        Ground that was covered.
    revision
        Number of the revision; the one in use by default.
    at
        When; now by default.
    lot
        The lot, as on the bag.
    note
        Anything worth knowing.
    dry_run
        Say what would be stored, and store nothing.
    """  # noqa: E501
    said = UsedMaterial(used=amount, work=work, rate=rate, laid_width=laid_width, distance=distance, area=area)
    with common.client(stores=True) as client:
        machine, record = _begun(client, name, profile, revision, at, by, lot, note)
        made = client.add_machine_check(machine, _with(record, used=said), dry_run=dry_run)
    _print(made, common, dry_run=dry_run)


def checks(name: str, /, *, common: Common = _DEFAULT) -> None:
    """List the checks of a machine, the one recorded last first.

    Example: catchpan machine checks AH-07

    Parameters
    ----------
    name
        Name or id of the machine.
    """
    with common.client(stores=True) as client:
        found = by_name("machine", name, client.all_machines)
        listed = list(client.all_machine_checks(found.id))
    if common.json:
        put_json(listed)
    elif listed:
        put_table(["check", "day", "by", "said", "of promised", "used", "ground"], [_row(one) for one in listed])
    else:
        put(f"{found.name} was never checked.")


def strike(name: str, check: int, /, *, reason: str, dry_run: bool = False, common: Common = _DEFAULT) -> None:
    """Let a check that was recorded wrongly count no longer; it stays on record.

    Example: catchpan machine strike AH-07 3 --reason "the bucket was not tared"

    Parameters
    ----------
    name
        Name or id of the machine.
    check
        Number of the check.
    reason
        What was wrong.
    dry_run
        Say what would happen, and change nothing.
    """
    with common.client(stores=True) as client:
        found = by_name("machine", name, client.all_machines)
        made = client.strike_machine_check(found.id, check, reason, dry_run=dry_run)
    say("nothing changed: this was a dry run" if dry_run else f"check {made.number} counts no longer")
    if common.json:
        put_json(made)
    else:
        put(f"{made.machine_name}   check {made.number} struck: {made.why_struck}")


def charts(name: str, /, *, common: Common = _DEFAULT) -> None:
    """Chart the checks of a machine by material, and say where it drifts.

    Example: catchpan machine charts AH-07

    Parameters
    ----------
    name
        Name or id of the machine.
    """
    with common.client(stores=True) as client:
        found = by_name("machine", name, client.all_machines)
        made = client.machine_charts(found.id)
    if common.json:
        put_json(made)
    else:
        show_charts(made)


def show_charts(made: MachineCharts) -> None:
    """Print a machine's charts."""
    if not made.charts:
        put(f"{made.machine_name} has no checks to chart.")
    for chart in made.charts:
        put(f"{made.machine_name} with {chart.material_name}")
        put()
        _put_chart(chart)


def _put_chart(chart: MaterialChart) -> None:
    rows = [
        [
            str(one.number),
            f"{one.at:%Y-%m-%d}",
            "caught" if one.kind == "caught" else "in the field",
            f"{told(one.ratio)} ±{told(one.standard_uncertainty, 2)}",
            f"{one.charted.ewma:+.2f}",
            f"{one.charted.cusum_high:.2f}",
            f"{one.charted.cusum_low:.2f}",
            one.charted.signal.value if one.charted.signal else "",
        ]
        for one in chart.checks
    ]
    put_table(["check", "day", "how", "of promised", "EWMA", "CUSUM high", "CUSUM low", "signal"], rows)
    put()
    put(f"Limits: EWMA ±{chart.ewma_limit:.2f}, CUSUM {chart.cusum_limit:.2f} (in standard uncertainties)")
    put()
    put_findings(chart.findings)


def _row(one: MachineCheckSummary) -> list[str]:
    said = "struck" if one.struck else one.decision.value.replace("_", " ") if one.decision else "-"
    ratio = "-" if one.ratio is None else f"{told(one.ratio)} ±{told(one.standard_uncertainty, 2)}"
    return [str(one.number), f"{one.at:%Y-%m-%d}", one.by, said, ratio, told(one.used), told(one.area)]


def _begun(
    client: Any,
    name: str,
    profile: str,
    revision: int | None,
    at: datetime | None,
    by: str,
    lot: str,
    note: str,
) -> tuple[str, MachineCheckRequest]:
    """The machine, and a record of it to which what was caught or used is still to be added."""
    machine = by_name("machine", name, client.all_machines)
    wanted = by_name("profile", profile, client.all_profiles)
    number = revision or wanted.released
    if number is None:
        raise TableError(f"{wanted.name} has no revision in use: name one with --revision")
    record = MachineCheckRequest(profile=wanted.id, number=number, at=moment_of(at), by=by, lot=lot, note=note)
    return machine.id, record


def _with(record: MachineCheckRequest, **said: Any) -> MachineCheckRequest:
    return msgspec.structs.replace(record, **said)


def _print(made: MachineCheck, common: Common, *, dry_run: bool) -> None:
    say("nothing stored: this was a dry run" if dry_run else f"noted: check {made.number} of {made.machine_name}")
    if common.json:
        put_json(made)
        return
    put(f"{made.machine_name}   check {made.number}, {made.record.at:%Y-%m-%d %H:%M} UTC, by {made.record.by}")
    put()
    if made.caught is not None:
        show_catch(made.caught)
    elif made.used is not None:
        show_field(made.used)
    else:
        put("Counted in the totals; without a rate, and a distance or an area, there is nothing to hold it against.")
