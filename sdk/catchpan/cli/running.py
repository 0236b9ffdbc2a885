"""What machines run against what they should, as ``catchpan machine`` and ``catchpan drift`` tell it."""

from datetime import UTC, datetime
from typing import Annotated

from cyclopts import Parameter

from catchpan.cli.arguments import moment_of
from catchpan.cli.branch import branch_id
from catchpan.cli.connection import Common
from catchpan.cli.lookup import by_name
from catchpan.cli.printing import put, put_json, put_table, say
from catchpan.contract.running import CheckCatch, MachineHistory, MachineProfile, RunningReport
from catchpan.errors import TableError

_DEFAULT = Common()
_CAUTION = "Only on a parked machine with shut gates, by a person at it: never under a driver."


def taken_up(
    name: str,
    profile: str,
    /,
    *,
    revision: int,
    by: str,
    confirmed: Annotated[bool, Parameter(negative="")] = False,
    at: datetime | None = None,
    check: CheckCatch | None = None,
    dry_run: bool = False,
    common: Common = _DEFAULT,
) -> None:
    """Say that a machine took up a revision, confirmed by a person at it.

    Example: catchpan machine taken-up AH-07 "Hollow Green on Ride-on 120" --revision 2 --by "R. Example" --confirmed

    Parameters
    ----------
    name
        Name or id of the machine.
    profile
        Name or id of the profile.
    revision
        Number of the revision.
    by
        Who took it up.
    confirmed
        That machine was parked with shut gates, and a person at it confirms the setting.
    at
        When, with its zone; now by default.
    check
        What a check catch with it came to: accepted or refused; a rollout goes on by these.
    dry_run
        Say what would be stored, and store nothing.
    """
    say(_CAUTION)
    if not confirmed:
        raise TableError("--confirmed is missing: go to the parked machine, shut its gates, set it, and say so")
    with common.client(stores=True) as client:
        found = by_name("machine", name, client.all_machines)
        wanted = by_name("profile", profile, client.all_profiles)
        request = RunningReport(
            profile=wanted.id,
            number=revision,
            digest=client.revision(wanted.id, revision).digest,
            at=moment_of(at),
            by=by,
            confirmed=confirmed,
            check=check,
        )
        made = client.report_running(found.id, request, dry_run=dry_run)
    say("nothing stored: this was a dry run" if dry_run else f"noted: {found.name} runs revision {made.number}")
    if common.json:
        put_json(made)
    else:
        put(f"{found.name}   revision {made.number}, taken up {made.at:%Y-%m-%d %H:%M} UTC by {made.by}")


def on(name: str, day: datetime, /, *, common: Common = _DEFAULT) -> None:
    """Say which setting was on a machine at an instant, from which catches.

    Example: catchpan machine on AH-07 2026-05-12T12:00:00+00:00

    Parameters
    ----------
    name
        Name or id of the machine.
    day
        The instant; without a zone that of this machine is meant.
    """
    with common.client(stores=True) as client:
        found = by_name("machine", name, client.all_machines)
        told = client.machine_history(found.id, day.astimezone(UTC))
        yards = {one.id: one.name for one in client.all_branches()}
    if common.json:
        put_json(told)
    else:
        show_history(told, yards.get(told.branch, told.branch))


def show_history(told: MachineHistory, branch: str) -> None:
    """Print what was in force on a machine."""
    put(f"{told.machine_name} at {branch}, {told.at:%Y-%m-%d %H:%M} UTC (position {told.position})")
    put()
    rows = [
        [
            one.profile_name,
            str(one.wanted.number),
            "not said" if one.running is None else f"{one.running.number} by {one.running.by}",
            "-" if one.correction is None else f"{one.correction.factor:g}",
            "-" if one.conditions is None else f"{one.conditions.machine or '?'}, lot {one.conditions.lot or '?'}",
        ]
        for one in told.settings
    ]
    put_table(["profile", "should run", "ran", "corrected by", "caught on"], rows)


def drift(*, branch: str | None = None, all: bool = False, common: Common = _DEFAULT) -> None:
    """List the machines that run something else than they should, or of which nobody has said.

    Example: catchpan drift --branch "North yard"

    Parameters
    ----------
    branch
        Name or id of one branch.
    all
        Those too that run what they should.
    """
    with common.client(stores=True) as client:
        at = None if branch is None else branch_id(client, branch)
        found = list(client.all_drift(branch=at, only_drift=not all))
    if common.json:
        put_json(found)
    else:
        show_drift(found)


def show_drift(found: list[MachineProfile]) -> None:
    """Print which machines do not run what they should, and why."""
    if not found:
        put("Every machine runs what it should.")
        return
    put_table(["machine", "profile", "should run", "runs", "why"], [_row(one) for one in found])


def _row(one: MachineProfile) -> list[str]:
    wanted = "-" if one.wanted is None else str(one.wanted.number)
    runs = "-" if one.running is None else str(one.running.number)
    return [one.machine_name, one.profile_name, wanted, runs, one.why]
