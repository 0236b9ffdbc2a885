"""What a session says beside its curve: from which opening the stream is steady, and how the gates share."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from .catches import SAME_OPENING, UncertaintyModel
from .pooling import Session


@dataclass(frozen=True, slots=True)
class Steadiness:
    """Where the stream is steady.

    Attributes
    ----------
    smallest_steady_opening : float or None
        Smallest used opening at which no catch pulsed or stopped.
    largest_unsteady_opening : float or None
        Largest opening with an unsteady catch below that (anywhere, if there is no such opening).
    clumps : tuple of int
        Numbers of unsteady catches above the smallest steady opening: they set nothing.
    """

    smallest_steady_opening: float | None
    largest_unsteady_opening: float | None
    clumps: tuple[int, ...]


def steadiness(session: Session) -> Steadiness:
    """Find the smallest steady and the largest unsteady opening of a session."""
    streams = session.catches.stream
    if all(stream == "steady" for stream in streams):
        return Steadiness(session.pools[0].opening, None, ())
    openings = session.catches.opening.tolist()
    unsteady = [index for index, stream in enumerate(streams) if stream != "steady"]
    doubtful = {round(openings[index], SAME_OPENING) for index in unsteady}
    steady = [pool.opening for pool in session.pools if round(pool.opening, SAME_OPENING) not in doubtful]
    smallest = steady[0] if steady else None
    limit = math.inf if smallest is None else smallest
    below = [openings[index] for index in unsteady if openings[index] < limit]
    clumps = tuple([index for index in unsteady if openings[index] > limit])
    return Steadiness(smallest, max(below, default=None), clumps)


@dataclass(frozen=True, slots=True)
class Balance:
    """How left and right share the flow.

    Attributes
    ----------
    left_share : float
        Left over left and right.
    difference : float
        ln(left/right): relative difference of the gates, + where the left gives more.
    difference_uncertainty : float
        Its standard uncertainty, with both gates' opening errors.
    openings : int
        Number of openings at which both sides were caught.
    """

    left_share: float
    difference: float
    difference_uncertainty: float
    openings: int


def measure_balance(
    session: Session, fitted: Sequence[float], slopes: Sequence[float], model: UncertaintyModel
) -> Balance | None:
    """Compare steady left and right catches made at one opening; None where there are none.

    Parameters
    ----------
    session : Session
    fitted, slopes : sequence of float
        Curve and its derivative at the pooled openings, which tell what an opening error does.
    model : UncertaintyModel
    """
    sides = session.catches.gates
    if "left" not in sides or "right" not in sides:
        return None
    weight = total = 0.0
    count = 0
    for opening, left, right in _both_sides(session):
        share = _log_slope(session, fitted, slopes, opening) * model.opening_uncertainty
        variance = _variance(session, left) + _variance(session, right) + 2.0 * share**2
        weight += 1.0 / variance
        total += (_log_mean(session, left) - _log_mean(session, right)) / variance
        count += 1
    if count == 0:
        return None
    difference = total / weight
    return Balance(1.0 / (1.0 + math.exp(-difference)), difference, weight**-0.5, count)


def _both_sides(session: Session) -> list[tuple[float, list[int], list[int]]]:
    found: dict[float, tuple[list[int], list[int]]] = {}
    rows = zip(session.catches.opening.tolist(), session.catches.gates, session.catches.stream, strict=True)
    for index, (opening, gates, stream) in enumerate(rows):
        if stream == "steady" and gates != "both":
            found.setdefault(round(opening, SAME_OPENING), ([], []))[gates == "right"].append(index)
    return [(opening, left, right) for opening, (left, right) in found.items() if left and right]


def _log_mean(session: Session, members: Sequence[int]) -> float:
    return sum([math.log(session.flow[index]) for index in members]) / len(members)


def _variance(session: Session, members: Sequence[int]) -> float:
    return sum([session.relative[index] ** 2 for index in members]) / len(members) ** 2


def _log_slope(session: Session, fitted: Sequence[float], slopes: Sequence[float], opening: float) -> float:
    """Relative slope of the curve at the pooled opening nearest to an opening, in proportion to 1/x."""
    rows = zip(session.pools, fitted, slopes, strict=True)
    near = min(rows, key=lambda row: abs(row[0].opening - opening))
    return near[2] / near[1] * near[0].opening / opening
