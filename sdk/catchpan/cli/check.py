"""``catchpan check``: check catches, field checks, and a machine's checks over time."""

from pathlib import Path
from typing import Literal

from cyclopts import App

from catchpan.cli.arguments import ALength, AMass, AnArea, ARate, ARatio
from catchpan.cli.connection import Common
from catchpan.cli.files import read_curve
from catchpan.cli.printing import number, put, put_findings, put_json, put_table, told
from catchpan.contract.checks import (
    CheckCatchAnswer,
    CheckCatchRequest,
    CheckSeriesAnswer,
    CheckSeriesRequest,
    FieldCheckAnswer,
    FieldCheckRequest,
)
from catchpan.tables import read_catches, read_checks

app = App(name="check", help="Check whether machines still do what their curves promise.", help_format="plaintext")
_DEFAULT = Common()
DECISIONS = {
    "accept": "accept: the machine does what its curve promises",
    "catch_again": "catch again: these catches do not decide it",
    "correct": "correct: one factor mends it",
    "calibrate_again": "calibrate again: no correction mends it",
}


@app.command
def catch(
    curve: Path,
    checks: Path,
    /,
    *,
    correction: float = 1.0,
    tolerance: ARatio | None = None,
    confidence: ARatio | None = None,
    scale_readability: AMass | None = None,
    common: Common = _DEFAULT,
) -> None:
    """Decide on check catches: accept, catch again, correct, or calibrate again.

    Example: catchpan check catch curve.json checks.csv

    Parameters
    ----------
    curve
        The curve in use: the JSON that curve fit --json printed, or its catch file.
    checks
        A catch file (CSV) of the check catches, best at two openings far apart.
    correction
        Factor on flow that is in force on this machine, from 0.9 to 1.1.
    tolerance
        How far the true rate may be off; 5 % by default.
    confidence
        How sure it must be; 90 % by default.
    scale_readability
        Smallest step of the scale, such as "0.02 lb".
    """
    with common.client() as client:
        answer = client.check_catch(
            CheckCatchRequest(
                curve=read_curve(curve, client),
                catches=read_catches(checks),
                correction=correction,
                tolerance=tolerance,
                confidence=confidence,
                scale_readability=scale_readability,
            )
        )
    if common.json:
        put_json(answer)
    else:
        show_catch(answer)


def show_catch(answer: CheckCatchAnswer) -> None:
    """Print a decision."""
    decision = answer.decision.value
    put(DECISIONS.get(decision, decision.replace("_", " ")))
    put()
    rows = [
        [told(one.opening), str(one.catches), told(one.ratio), f"±{told(one.standard_uncertainty, 2)}"]
        for one in answer.openings
    ]
    put_table(["opening", "catches", "of promised flow", "standard uncertainty"], rows)
    put()
    put(f"All together   {told(answer.ratio)} of the promised flow, ±{told(answer.standard_uncertainty, 2)}")
    put(f"Within {told(answer.tolerance)}     {told(answer.within_tolerance, 3)} sure")
    if decision == "correct":
        put(f"Correction     {number(answer.correction)}; then {told(answer.within_if_corrected, 3)} sure")
    put()
    put_findings(answer.findings)


@app.command
def field(
    *,
    used: AMass,
    rate: ARate,
    laid_width: ALength | None = None,
    distance: ALength | None = None,
    area: AnArea | None = None,
    coverages: Literal[1, 2] = 1,
    tolerance: ARatio | None = None,
    common: Common = _DEFAULT,
) -> None:
    """Compare material used in the field with the distance driven and the area.

    Example: catchpan check field --used "150 lb" --rate "3.2 lb/1000ft2" --laid-width "11 ft" --distance "4200 ft"
    --area "1 ac"

    Parameters
    ----------
    used
        Material used.
    rate
        Wanted mass per area.
    laid_width
        Pass spacing, or the width of an edge pass; goes with the distance.
    distance
        Driven with open gates.
    area
        Ground that was to be covered.
    coverages
        2 where the ground was covered twice with half the rate each.
    tolerance
        How far a ratio may be off before it is a finding; 5 % by default.
    """
    request = FieldCheckRequest(
        used=used,
        rate=rate,
        laid_width=laid_width,
        distance=distance,
        area=area,
        coverages=coverages,
        tolerance=tolerance,
    )
    with common.client() as client:
        answer = client.field_check(request)
    if common.json:
        put_json(answer)
    else:
        show_field(answer)


def show_field(answer: FieldCheckAnswer) -> None:
    """Print a field check."""
    rows = {
        "Flow and speed": answer.flow_and_speed,
        "Driving": answer.driving,
        "All together": answer.overall,
    }
    for title, ratio in rows.items():
        if ratio is not None:
            put(
                f"{title:<15} {told(ratio.value, 3)} of what was wanted ({told(ratio.low, 3)} to {told(ratio.high, 3)})"
            )
    if answer.correction is not None and answer.correction != 1.0:
        put(f"Speaks for a correction of {number(answer.correction, 3)}, once check catches say the same")
    put()
    put_findings(answer.findings)


@app.command
def series(
    checks: Path,
    /,
    *,
    machines: int | None = None,
    checks_per_month: float | None = None,
    common: Common = _DEFAULT,
) -> None:
    """Look for a drift in one machine's checks, oldest first.

    Example: catchpan check series checks.csv --machines 150

    Parameters
    ----------
    checks
        A CSV file: ratio [%], standard uncertainty [%].
    machines
        Machines of the fleet, for the false alarms to expect; 150 by default.
    checks_per_month
        Checks of each machine in a month; 1 by default.
    """
    request = CheckSeriesRequest(checks=read_checks(checks), machines=machines, checks_per_month=checks_per_month)
    with common.client() as client:
        answer = client.check_series(request)
    if common.json:
        put_json(answer)
    else:
        show_series(answer)


def show_series(answer: CheckSeriesAnswer) -> None:
    """Print both charts."""
    rows = [
        [
            str(count),
            f"{one.standardised:+.2f}",
            f"{one.ewma:+.2f}",
            f"{one.cusum_high:.2f}",
            f"{one.cusum_low:.2f}",
            "" if one.signal is None else one.signal.value,
        ]
        for count, one in enumerate(answer.checks, 1)
    ]
    put_table(["check", "off", "EWMA", "CUSUM high", "CUSUM low", "signal"], rows)
    put()
    put(f"Limits: EWMA ±{answer.ewma_limit:.2f}, CUSUM {answer.cusum_limit:.2f} (in standard uncertainties)")
    put(f"False alarms to expect over {answer.machines} machines: {answer.false_alarms_per_month:.1f} a month")
    put()
    put_findings(answer.findings)
