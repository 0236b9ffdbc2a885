"""Between an opening and the actuator's position: the two stops of a gate, its backlash, and what has moved."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from .catches import FloatArray
from .errors import CalibrationError
from .findings import Finding

TOLERANCE = 0.005
"""Backlash, and movement of a stop, that may stay [share of the gate's range] (common practice)."""

SHORTEST, FURTHEST = 1e-9, 1e12
"""No gate's range is shorter, and no actuator's position further from 0, in any unit."""


@dataclass(frozen=True)
class GateStops:
    """One gate's stops in use.

    Attributes
    ----------
    positions : FloatArray
        Actuator positions of the openings that were asked for, in the actuator's own unit.
    openings : FloatArray
        Openings of the actuator positions that were asked for.
    gate_range : float
        Position of the open stop less that of the closed one.
    backlash : float or None
        Opening reached from above less that reached from below at one gap [share of the range].
    closed_moved, open_moved : float or None
        How far the stops moved since last time [share of the range then].
    findings : tuple of Finding
    """

    positions: FloatArray
    openings: FloatArray
    gate_range: float
    backlash: float | None
    closed_moved: float | None
    open_moved: float | None
    findings: tuple[Finding, ...]


def gate_stops(
    *,
    closed: float,
    open_: float,
    openings: ArrayLike = (),
    positions: ArrayLike = (),
    from_below: float | None = None,
    from_above: float | None = None,
    previous_closed: float | None = None,
    previous_open: float | None = None,
    tolerance: float = TOLERANCE,
) -> GateStops:
    """Turn openings into actuator positions and back, and judge backlash and moved stops.

    position = closed + opening (open - closed).

    Parameters
    ----------
    closed, open_ : float
        Actuator positions of the two stops, found with a gauge [the actuator's own unit].
    openings : array_like, shape (n,)
        Openings to set, 0 to 1 [share of the range].
    positions : array_like, shape (m,)
        Actuator positions to read as openings.
    from_below, from_above : float, optional
        Positions at which the same gauge fits when the gate comes from below and from above.
    previous_closed, previous_open : float, optional
        The stops found last time.
    tolerance : float
        Backlash and movement that may stay [share of the range].

    Raises
    ------
    CalibrationError
        Stops that are alike, an opening outside 0 to 1, one of a pair without the other.

    Examples
    --------
    >>> stops = gate_stops(closed=210, open_=905, openings=[0.4])
    >>> float(stops.positions[0])
    488.0
    """
    for name, value in (("closed", closed), ("open", open_)):
        _check(name, abs(value) <= FURTHEST, f"a finite number, up to {FURTHEST:g}")
    reach = open_ - closed
    _check("open", abs(reach) >= SHORTEST, "another position than that of the closed stop")
    _check("tolerance", 0 < tolerance < 1, "between 0 and 100 %")
    wanted, read = (
        np.asarray(openings, dtype=np.float64).reshape(-1),
        np.asarray(positions, dtype=np.float64).reshape(-1),
    )
    for index, opening in enumerate(wanted.tolist()):
        _check("openings", 0 <= opening <= 1, "from 0 to 100 %", index)
    for index, position in enumerate(read.tolist()):
        _check("positions", abs(position) <= FURTHEST, f"a finite number, up to {FURTHEST:g}", index)
    backlash = _pair("from_below", "from_above", from_below, from_above)
    before = _pair("previous_closed", "previous_open", previous_closed, previous_open)
    lost = None if backlash is None else (backlash[1] - backlash[0]) / reach
    shut, wide = (None, None) if before is None else _moved(closed, open_, *before)
    found = (*_backlash_findings(lost, tolerance), *_moved_findings((shut, wide), tolerance))
    return GateStops(closed + wanted * reach, (read - closed) / reach, reach, lost, shut, wide, found)


def _moved(closed: float, open_: float, before_closed: float, before_open: float) -> tuple[float, float]:
    reach = before_open - before_closed
    _check("previous_open", abs(reach) >= SHORTEST, "another position than that of the closed stop")
    return (closed - before_closed) / reach, (open_ - before_open) / reach


def _pair(low: str, high: str, first: float | None, second: float | None) -> tuple[float, float] | None:
    if first is None and second is None:
        return None
    if first is None or second is None:
        _check(low if first is None else high, good=False, allowed="both of a pair, or none")
        return None
    _check(low, abs(first) <= FURTHEST, f"a finite number, up to {FURTHEST:g}")
    _check(high, abs(second) <= FURTHEST, f"a finite number, up to {FURTHEST:g}")
    return first, second


def _backlash_findings(backlash: float | None, tolerance: float) -> list[Finding]:
    if backlash is None or abs(backlash) <= tolerance:
        return []
    what = f"The gate stands {100 * abs(backlash):.1f} % of its range apart when it comes from the other side."
    advice = "Always set openings from the same side, and look at links and pins for wear."
    return [Finding("backlash", "look", what, advice, ("from_above",))]


def _moved_findings(moved: tuple[float | None, float | None], tolerance: float) -> list[Finding]:
    found = []
    for name, by in zip(("closed", "open"), moved, strict=True):
        if by is not None and abs(by) > tolerance:
            what = f"The {name} stop moved by {100 * by:+.1f} % of the gate's range since last time."
            advice = "Find out why before setting it anew; settings made since then laid another rate."
            found.append(Finding("stop_moved", "look", what, advice, (name,)))
    return found


def _check(name: str, good: object, allowed: str, index: int | None = None) -> None:
    if not good:
        where: tuple[str | int, ...] = (name,) if index is None else (name, index)
        raise CalibrationError(
            f"bad_{name}", f"{name} cannot be used; allowed is {allowed}", where=where, allowed=allowed
        )
