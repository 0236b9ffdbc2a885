"""``catchpan correction``: a factor on flow for one machine or one lot, beside a revision."""

from datetime import UTC, datetime, timedelta
from typing import Annotated

from cyclopts import App, Parameter, validators

from catchpan.cli.arguments import ARatio
from catchpan.cli.connection import Common
from catchpan.cli.lookup import by_name
from catchpan.cli.printing import put_json, put_table, say
from catchpan.contract.corrections import CorrectionRequest, KeptCorrection
from catchpan.errors import TableError

app = App(name="correction", help="Corrections of single machines and lots.", help_format="plaintext")
_DEFAULT = Common()
Days = Annotated[int, Parameter(validator=validators.Number(gte=1, lte=400))]


@app.command
def add(
    profile: str,
    /,
    *,
    factor: float,
    uncertainty: ARatio,
    by: str,
    reason: str,
    machine: str | None = None,
    lot: str | None = None,
    revision: int | None = None,
    days: Days = 90,
    dry_run: bool = False,
    common: Common = _DEFAULT,
) -> None:
    """Correct the flow of one machine or one lot; outside 0.90 to 1.10 calibrate again instead.

    Example: catchpan correction add "Hollow Green 24-0-11 on Ride-on 120" --machine AH-07 --factor 0.972 --uncertainty "0.8 %" --by "R. Example" --reason "checked at two openings"

    Parameters
    ----------
    profile
        Name or id of the profile.
    factor
        Flow caught over flow promised, as the check says.
    uncertainty
        Its relative standard uncertainty, as the check says.
    by
        Who checked.
    reason
        From which checks.
    machine
        Name or id of the machine.
    lot
        The lot, in place of a machine.
    revision
        Number of the revision; the one in use by default.
    days
        For how many days it holds.
    dry_run
        Say what would be stored, and store nothing.
    """  # noqa: E501
    with common.client(stores=True) as client:
        wanted = by_name("profile", profile, client.all_profiles)
        number = revision or wanted.released
        if number is None:
            raise TableError(f"{wanted.name} has no revision in use: name one with --revision")
        request = CorrectionRequest(
            profile=wanted.id,
            number=number,
            machine=None if machine is None else by_name("machine", machine, client.all_machines).id,
            lot=lot,
            factor=factor,
            standard_uncertainty=uncertainty,
            by=by,
            reason=reason,
            until=(datetime.now(UTC) + timedelta(days=days)).replace(microsecond=0),
        )
        made = client.add_correction(request, dry_run=dry_run)
        names = {wanted.id: wanted.name}
    say("nothing stored: this was a dry run" if dry_run else "in force from now on")
    _print([made], names, common)


@app.command(name="list")
def list_(*, all: bool = False, common: Common = _DEFAULT) -> None:
    """List the corrections in force.

    Example: catchpan correction list

    Parameters
    ----------
    all
        Those too that were taken out of force.
    """
    with common.client(stores=True) as client:
        found = [one for one in client.all_corrections() if all or one.ended is None]
        names = {one.id: one.name for one in client.all_profiles()}
    _print(found, names, common)


@app.command
def end(id: str, /, *, dry_run: bool = False, common: Common = _DEFAULT) -> None:
    """Take a correction out of force: the curve alone holds again.

    Example: catchpan correction end 01900000-0000-7000-8000-000000000001

    Parameters
    ----------
    id
        Its id, as the list shows it.
    dry_run
        Say what would happen, and change nothing.
    """
    with common.client(stores=True) as client:
        made = client.end_correction(id, dry_run=dry_run)
        names = {one.id: one.name for one in client.all_profiles()}
    say("nothing changed: this was a dry run" if dry_run else "out of force")
    _print([made], names, common)


def _print(found: list[KeptCorrection], names: dict[str, str], common: Common) -> None:
    if common.json:
        put_json(found)
    else:
        show_corrections(found, names)


def show_corrections(found: list[KeptCorrection], names: dict[str, str]) -> None:
    """Print corrections; ``names`` are those of profiles by id."""
    rows = [
        [
            one.machine_name or f"lot {one.lot}",
            f"{names.get(one.profile, one.profile)}, revision {one.number}",
            f"{one.factor:g}",
            f"{one.until:%Y-%m-%d}" if one.ended is None else f"ended {one.ended:%Y-%m-%d}",
            one.by,
            one.id,
        ]
        for one in found
    ]
    put_table(["corrected", "profile", "factor", "until", "by", "id"], rows)
