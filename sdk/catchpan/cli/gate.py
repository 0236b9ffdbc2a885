"""``catchpan gate``: a controller's table, and a gate's stops."""

from pathlib import Path
from typing import Literal

from cyclopts import App

from catchpan.cli.arguments import ARatio, SomeRatios
from catchpan.cli.connection import Common
from catchpan.cli.files import read_curve
from catchpan.cli.printing import number, put, put_findings, put_json, put_table, told
from catchpan.contract.gate_stops import GateStopsRequest
from catchpan.contract.gate_table import GateTableRequest
from catchpan.quantities import Ratios

app = App(name="gate", help="A controller's table of a curve; a gate's stops.", help_format="plaintext")
_DEFAULT = Common()


@app.command
def table(
    file: Path,
    /,
    *,
    low: ARatio | None = None,
    high: ARatio | None = None,
    tolerance: ARatio | None = None,
    opening_step: ARatio | None = None,
    most_rows: int | None = None,
    common: Common = _DEFAULT,
) -> None:
    """Choose the fewest rows of a controller's table whose straight lines are true enough.

    Example: catchpan gate table catches.csv --tolerance "1 %" --most-rows 12

    Parameters
    ----------
    file
        A catch file (CSV), or the JSON that curve fit --json printed.
    low
        Smallest opening of the table; by default the smallest that was caught.
    high
        Largest opening of the table; by default the largest that was caught.
    tolerance
        Largest difference from the curve; 1 % by default.
    opening_step
        Step between openings; 0.5 % by default.
    most_rows
        Rows that the controller takes.
    """
    with common.client() as client:
        answer = client.gate_table(
            GateTableRequest(
                curve=read_curve(file, client),
                low=low,
                high=high,
                tolerance=tolerance,
                opening_step=opening_step,
                most_rows=most_rows,
            )
        )
    if common.json:
        put_json(answer)
        return
    rows = zip(answer.openings.values, answer.flows.values, strict=True)
    put_table(
        [f"opening [{answer.openings.unit}]", f"flow [{answer.flows.unit}]"],
        [[number(opening), number(flow)] for opening, flow in rows],
    )
    put(f"\nStraight lines miss the curve by at most {told(answer.worst, 2)}, at {told(answer.worst_opening)}.")


@app.command
def stops(
    *,
    closed: float,
    open: float,
    side: Literal["both", "left", "right"] = "both",
    opening: SomeRatios | None = None,
    position: list[float] | None = None,
    from_below: float | None = None,
    from_above: float | None = None,
    previous_closed: float | None = None,
    previous_open: float | None = None,
    tolerance: ARatio | None = None,
    common: Common = _DEFAULT,
) -> None:
    """Turn openings into actuator positions and back, from the two stops found with a gauge.

    Actuator power off and locked while a hand or a gauge is in the gate.

    Example: catchpan gate stops --closed 212 --open 905 --opening "40 %" --from-below 540 --from-above 543

    Parameters
    ----------
    closed
        Actuator position of the closed stop.
    open
        Actuator position of the open stop.
    side
        both, left or right.
    opening
        An opening to turn into a position; may be given several times.
    position
        A position to turn into an opening; may be given several times.
    from_below
        Position at which a gauge fits when the gate opens towards it.
    from_above
        Position at which the same gauge fits when the gate closes towards it.
    previous_closed
        The closed stop found last time.
    previous_open
        The open stop found last time.
    tolerance
        Backlash and movement that may stay; 0.5 % of the range by default.
    """
    wanted = None if opening is None else Ratios([one.to("%") for one in opening], "%")
    with common.client() as client:
        answer = client.gate_stops(
            GateStopsRequest(
                closed=closed,
                open=open,
                side=side,
                openings=wanted,
                positions=position or [],
                from_below=from_below,
                from_above=from_above,
                previous_closed=previous_closed,
                previous_open=previous_open,
                tolerance=tolerance,
            )
        )
    if common.json:
        put_json(answer)
        return
    for one, at in zip(opening or [], answer.positions, strict=True):
        put(f"opening {told(one)}  is position {number(at, 6)}")
    for at, value in zip(position or [], answer.openings.values, strict=True):
        put(f"position {number(at, 6)}  is opening {number(value)} {answer.openings.unit}")
    put(f"gate range {number(answer.gate_range, 6)}, backlash {told(answer.backlash, 2)}")
    if answer.closed_moved is not None:
        put(f"since last time: closed stop {told(answer.closed_moved, 2)}, open stop {told(answer.open_moved, 2)}")
    put()
    put_findings(answer.findings)
