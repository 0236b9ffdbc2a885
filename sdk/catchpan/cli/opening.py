"""``catchpan opening`` and ``catchpan chart``: rates become openings."""

from pathlib import Path
from typing import Literal

from catchpan.cli.arguments import ALength, ARate, ARatio, ASpeed, SomeRates, SomeSpeeds
from catchpan.cli.connection import Common
from catchpan.cli.files import read_curve
from catchpan.cli.printing import number, put, put_findings, put_json, put_table, told
from catchpan.contract.curves import Gates
from catchpan.contract.openings import ChartAnswer, ChartRequest, OpeningAnswer, OpeningRequest
from catchpan.quantities import Rates, Speeds

_DEFAULT = Common()
STATUS = {
    "ok": "within the catches, steady",
    "outside_catches": "outside the catches: catch there before relying on it",
    "steadiness_unknown": "no steady catch that small: watch the stream",
    "below_steady_flow": "too small an opening: the stream is not steady there",
    "beyond_full_opening": "more than the full opening gives",
}


def opening(
    file: Path,
    /,
    *,
    rate: ARate,
    speed: ASpeed,
    pass_spacing: ALength | None = None,
    edge_width: ALength | None = None,
    coverages: Literal[1, 2] = 1,
    gates: Gates = "both",
    correction: float = 1.0,
    opening_step: ARatio | None = None,
    label_highest_rate: ARate | None = None,
    common: Common = _DEFAULT,
) -> None:
    """Turn a rate into an opening, for a pass and a ground speed.

    Example: catchpan opening catches.csv --rate "3.2 lb/1000ft2" --speed "3.5 mph" --pass-spacing "11 ft"

    Parameters
    ----------
    file
        A catch file (CSV), or the JSON that curve fit --json printed.
    rate
        Mass per area to lay.
    speed
        Ground speed.
    pass_spacing
        Distance between neighbouring passes, for an overlapped pass.
    edge_width
        Width that the pass covers, for an edge pass.
    coverages
        2 where the ground is covered twice with half the rate each.
    gates
        both, left or right.
    correction
        Factor on flow for this machine or lot, from 0.9 to 1.1.
    opening_step
        Smallest step of the controller.
    label_highest_rate
        The most that the label allows.
    """
    with common.client() as client:
        answer = client.opening(
            OpeningRequest(
                curve=read_curve(file, client),
                rate=rate,
                speed=speed,
                pass_spacing=pass_spacing,
                edge_width=edge_width,
                coverages=coverages,
                gates=gates,
                correction=correction,
                opening_step=opening_step,
                label_highest_rate=label_highest_rate,
            )
        )
    if common.json:
        put_json(answer)
    else:
        show(answer)


def show(answer: OpeningAnswer) -> None:
    """Print one opening."""
    status = answer.status.value
    put(f"Opening   {told(answer.opening, 3)}   {STATUS.get(status, status)}")
    put(f"Flow      {told(answer.flow)}")
    this, every = answer.rate_interval.this_machine, answer.rate_interval.any_machine
    if this is not None:
        put(f"Will lay  {told(this.low, 3)} to {told(this.high, 3)} on the machine that was caught (95 %)")
    if every is not None:
        put(f"          {told(every.low, 3)} to {told(every.high, 3)} on any machine of its kind (95 %)")
    if answer.opening is not None and answer.set_opening is not None and answer.set_opening != answer.opening:
        put(f"Set       {told(answer.set_opening, 3)}, which lays {told(answer.rate_at_set_opening, 3)}")
    speeds = answer.speed_range
    if speeds.high is not None:
        low = f"{told(speeds.low, 3)} to " if speeds.low is not None else "up to "
        put(f"Speeds    {low}{told(speeds.high, 3)} would work for this rate")
    put()
    put_findings(answer.findings)


def chart(
    file: Path,
    /,
    *,
    rate: SomeRates,
    speed: SomeSpeeds,
    pass_spacing: ALength | None = None,
    edge_width: ALength | None = None,
    coverages: Literal[1, 2] = 1,
    gates: Gates = "both",
    correction: float = 1.0,
    opening_step: ARatio | None = None,
    label_highest_rate: ARate | None = None,
    common: Common = _DEFAULT,
) -> None:
    """Print the openings for several rates and ground speeds.

    Example: catchpan chart catches.csv --rate "2 lb/1000ft2" --rate "3 lb/1000ft2" --speed "3 mph" --speed "4 mph"
    --pass-spacing "11 ft"

    Parameters
    ----------
    file
        A catch file (CSV), or the JSON that curve fit --json printed.
    rate
        Mass per area to lay; give it once for each rate.
    speed
        Ground speed; give it once for each speed.
    pass_spacing
        Distance between neighbouring passes, for an overlapped pass.
    edge_width
        Width that the pass covers, for an edge pass.
    coverages
        2 where the ground is covered twice with half the rate each.
    gates
        both, left or right.
    correction
        Factor on flow for this machine or lot, from 0.9 to 1.1.
    opening_step
        Smallest step of the controller.
    label_highest_rate
        The most that the label allows.
    """
    with common.client() as client:
        answer = client.opening_chart(
            ChartRequest(
                curve=read_curve(file, client),
                rates=Rates([one.to(rate[0].unit) for one in rate], rate[0].unit),
                speeds=Speeds([one.to(speed[0].unit) for one in speed], speed[0].unit),
                pass_spacing=pass_spacing,
                edge_width=edge_width,
                coverages=coverages,
                gates=gates,
                correction=correction,
                opening_step=opening_step,
                label_highest_rate=label_highest_rate,
            )
        )
    if common.json:
        put_json(answer)
    else:
        show_chart(answer)


MARKS = {
    "ok": "",
    "outside_catches": "o",
    "steadiness_unknown": "u",
    "below_steady_flow": "s",
    "beyond_full_opening": "x",
}


def show_chart(answer: ChartAnswer) -> None:
    """Print a chart: rates down, speeds across, a letter behind each opening that needs a word."""
    speeds = [f"{number(value)} {answer.speeds.unit}" for value in answer.speeds.values]
    rows: list[list[str]] = []
    seen: set[str] = set()
    for rate, line, states in zip(answer.rates.values, answer.openings.values, answer.status, strict=True):
        cells = [_cell(value, state.value, answer.openings.unit) for value, state in zip(line, states, strict=True)]
        seen |= {state.value for state in states} - {"ok"}
        rows.append([f"{number(rate)} {answer.rates.unit}", *cells])
    put_table(["rate", *speeds], rows)
    for state, mark in MARKS.items():
        if state in seen:
            put(f"{mark}  {STATUS[state]}")
    put()
    put_findings(answer.findings)


def _cell(value: float | None, state: str, unit: str) -> str:
    opening = "-" if value is None else f"{value:.1f} {unit}"
    return f"{opening} {MARKS.get(state, '?')}".ljust(len(opening) + 2)
