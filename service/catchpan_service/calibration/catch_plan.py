"""Which openings to catch at, how long and how often, so that the curve is sure enough where crews work."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from .catches import (
    LEAST,
    OPENING_UNCERTAINTY,
    REPEATABILITY,
    SCALE_READABILITY,
    SHARED_UNCERTAINTY,
    TIMER_UNCERTAINTY,
    FloatArray,
)
from .catches import MOST as LARGEST
from .curve import FlowCurve, inverse
from .errors import CalibrationError

TARGET: Final = 0.04
"""Twice the standard uncertainty of a curve, relative, that is sure enough: well below the 5 % to which a rate is held
(UMass Amherst, Rotary Spreader Calibration Procedures)."""

WORKING_SHARES: Final = (0.45, 0.6, 0.75)
"""Openings at which the largest working flow may lie where nothing is known (common practice)."""

EXPONENTS: Final = (1.2, 1.6, 2.0)
DEAD_OPENINGS: Final = (0.04, 0.08, 0.12)
"""Laws over which a plan is averaged where nothing is known."""

SCALE_DOUBT: Final = 0.15
SHAPE_DOUBT: Final = (0.02, 0.2)
"""How far another material's flow, dead opening and exponent may be from those of a similar one (from memory)."""

SHORTEST, LONGEST = 10.0, 90.0
"""Durations that can be timed well and that nobody minds waiting [s] (common practice)."""

SHORT_PART: Final = 1 / 3
"""The second duration at one opening, as a part of the first: it reveals an untared bucket."""

FILL: Final = 0.85
"""Part of bucket and bag that a plan uses: the flow is not known yet (common practice)."""

WORKING_POINTS: Final = 9
CANDIDATES: Final = 16
FEWEST, MOST = 4, 12
"""Catches of a plan."""

LARGEST_OPENING: Final = 0.95


@dataclass(frozen=True)
class Session:
    """What a session has: scale, bucket and bag.

    Attributes
    ----------
    bucket, bag : float
        Mass that the bucket takes, and that there is to catch with [kg].
    scale_readability : float
        [kg]
    timer_uncertainty : float
        [s]
    repeatability, opening_uncertainty, shared_uncertainty : float
        As in :class:`~.catches.UncertaintyModel`.
    """

    bucket: float
    bag: float
    scale_readability: float = SCALE_READABILITY
    timer_uncertainty: float = TIMER_UNCERTAINTY
    repeatability: float = REPEATABILITY
    opening_uncertainty: float = OPENING_UNCERTAINTY
    shared_uncertainty: float = SHARED_UNCERTAINTY


@dataclass(frozen=True)
class PlannedCatch:
    """One catch to make: opening [share of range], duration [s], and the mass that is expected [kg]."""

    opening: float
    duration: float
    expected_mass: float


@dataclass(frozen=True)
class CatchPlan:
    """A plan, and what to expect of it.

    Attributes
    ----------
    catches : tuple of PlannedCatch
        By opening; empty where what was caught is enough.
    predicted : float
        Worst standard uncertainty of the curve over the working range, relative, with these catches.
    predicted_now : float or None
        The same with the catches so far.
    in_use : float
        What finding the opening and the scale add where the curve is used, at its worst, relative: no catch helps
        against it.
    enough : bool
        Whether twice ``predicted`` is within the target.
    working_openings : tuple of float
        Between which openings crews are expected to work.
    material, time : float
        [kg] and [s] in all.
    assumed : tuple of str
        What stands on assumption: ``flow``, ``repeatability`` ...
    """

    catches: tuple[PlannedCatch, ...]
    predicted: float
    predicted_now: float | None
    in_use: float
    enough: bool
    working_openings: tuple[float, float]
    material: float
    time: float
    assumed: tuple[str, ...]


@dataclass(frozen=True)
class _Laws:
    """The laws that a plan is good for: q = a (x - c)^p, each array (k,)."""

    scale: FloatArray
    dead: FloatArray
    exponent: FloatArray

    def flow(self, opening: ArrayLike) -> FloatArray:
        """(k, n) flows at openings (n,) [kg/s]."""
        above = np.maximum(np.atleast_2d(opening) - self.dead[:, None], 0.0)
        return np.asarray(self.scale[:, None] * above ** self.exponent[:, None])

    def gradient(self, opening: ArrayLike) -> FloatArray:
        """(k, n, 3): of ln(flow) with respect to (ln a, c, p); rows of 0 where nothing flows."""
        above = np.atleast_2d(opening) - self.dead[:, None]
        safe = np.where(above > 1e-6, above, 1.0)
        parts = (np.ones_like(safe), -self.exponent[:, None] / safe, np.log(safe))
        return np.where((above > 1e-6)[..., None], np.stack(parts, axis=-1), 0.0)

    def opening(self, flow: ArrayLike) -> FloatArray:
        """(k, n) openings that give flows (n,), none above the largest that is caught at."""
        wanted = (np.asarray(flow)[None, :] / self.scale[:, None]) ** (1 / self.exponent[:, None])
        return np.asarray(np.minimum(wanted + self.dead[:, None], LARGEST_OPENING))

    def steepness(self, opening: ArrayLike) -> FloatArray:
        """(k, n): d ln(flow)/dx; infinite where nothing flows."""
        above = np.atleast_2d(opening) - self.dead[:, None]
        return np.where(above > 1e-6, self.exponent[:, None] / np.where(above > 1e-6, above, 1.0), np.inf)


PRIOR_PRECISION: Final = np.diag([0.0, 1 / 0.05**2, 1 / 0.4**2])
"""Of (ln a, c, p): the weak prior of fits with few openings."""


def catch_plan(
    *,
    smallest_flow: float,
    largest_flow: float,
    session: Session,
    known: FlowCurve | None = None,
    caught_opening: ArrayLike = (),
    caught_duration: ArrayLike = (),
    target: float = TARGET,
    most: int = MOST,
) -> CatchPlan:
    """Plan the catches that make the worst uncertainty over the working range smallest.

    ln(flow) is linear in (ln a, c, p) to first order (GUM, 5.1.2); a set of catches then predicts the variance at any
    opening before it is made. Catches are added one by one where they lower the worst variance over the working range
    most, and exchanged until no exchange helps (G-optimal exchange: Fedorov, Theory of Optimal Experiments, 1972; from
    memory). The variance is the mean over the laws that the material may have.

    Parameters
    ----------
    smallest_flow, largest_flow : float
        Flows that the rates, speeds and pass spacings of the crews need [kg/s].
    session : Session
    known : FlowCurve, optional
        Of a similar material, or of the catches so far.
    caught_opening, caught_duration : array_like, shape (n,), optional
        The catches so far [share of range], [s]; ``known`` is then their curve.
    target : float
        Twice the standard uncertainty, relative, that is enough.
    most : int
        Catches that the technician is willing to make now.

    Raises
    ------
    CalibrationError
        Flows not above 0 or not in order, a bucket or bag that holds nothing, catches so far without their curve.
    """
    opening, duration = _check(
        smallest_flow, largest_flow, session, known, caught_opening, caught_duration, target, most
    )
    laws = _laws(known, largest_flow, own=len(opening) > 0)
    design = _Design(laws, session, laws.opening(np.geomspace(smallest_flow, largest_flow, WORKING_POINTS)))
    base = design.caught(opening, duration)
    now = None if not len(opening) else design.worst(base)
    if now is not None and 2 * now <= target:
        return _plan((), design, base, now, target, known)
    chosen: list[int] = []
    while len(chosen) < most and (len(chosen) + len(opening) < FEWEST or 2 * design.worst(base, chosen) > target):
        chosen = design.improved(base, [*chosen, design.best(base, chosen)])
    return _plan(tuple(chosen), design, base, now, target, known)


def _durations(flow: float, bucket: float, share: float) -> float:
    """How long a catch runs [s]: long enough to time, no longer than bucket and its share of the bag take."""
    return float(np.clip(FILL * min(bucket, share) / flow, SHORTEST, LONGEST))


class _Design:
    """Openings that can be caught at, and what a set of catches there predicts."""

    def __init__(self, laws: _Laws, session: Session, at: FloatArray) -> None:
        self.laws, self.session = laws, session
        self.working = float(np.median(at[:, 0])), float(np.median(at[:, -1]))
        low = max(float(laws.dead.max()) + 0.03, 0.6 * self.working[0])
        high = min(LARGEST_OPENING, max(1.15 * float(at.max()), low + 0.2))
        self.openings = np.round(np.linspace(low, high, CANDIDATES), 3)
        self._gradient = laws.gradient(self.openings)
        self._steep = laws.steepness(self.openings) * session.opening_uncertainty
        self._mean_flow = np.exp(np.log(np.maximum(laws.flow(self.openings), 1e-12)).mean(axis=0))
        self._at_gradient = laws.gradient(at)
        own = (laws.steepness(at) * session.opening_uncertainty) ** 2 + session.shared_uncertainty**2
        self.in_use = float(np.sqrt(own.mean(axis=0).max()))

    def duration(self, index: int, catches: int) -> float:
        """How long to catch there [s], for a plan of that many catches."""
        return _durations(float(self._mean_flow[index]), self.session.bucket, self.session.bag / max(catches, 1))

    def mass(self, index: int, duration: float) -> float:
        """What to expect there [kg]."""
        return float(self._mean_flow[index] * duration)

    def caught(self, opening: FloatArray, duration: FloatArray) -> FloatArray:
        """(k, 3, 3) information of the catches so far, with the weak prior."""
        total = np.broadcast_to(PRIOR_PRECISION, (len(self.laws.scale), 3, 3)).copy()
        if not len(opening):
            return total
        places, which = np.unique(np.round(opening, 9), return_inverse=True)
        flows, steep = self.laws.flow(places), self.laws.steepness(places) * self.session.opening_uncertainty
        for index in range(len(places)):
            own = sum(1 / self._own(flows[:, index], float(time)) for time in duration[which == index])
            total += _outer(self.laws.gradient(places)[:, index], 1 / (1 / own + steep[:, index] ** 2))
        return total

    def worst(self, base: FloatArray, chosen: list[int] | None = None) -> float:
        """Worst standard uncertainty of the curve over the working range, relative, mean over the laws."""
        spread = np.linalg.inv(self._information(base, chosen or []) + 1e-9 * np.eye(3))
        variance = np.einsum("kni,kij,knj->kn", self._at_gradient, spread, self._at_gradient)
        return float(np.sqrt(variance.mean(axis=0).max()))

    def best(self, base: FloatArray, chosen: list[int]) -> int:
        """The opening at which one more catch helps most."""
        return min(range(CANDIDATES), key=lambda index: self.worst(base, [*chosen, index]))

    def improved(self, base: FloatArray, chosen: list[int]) -> list[int]:
        """The same number of catches, exchanged one by one as long as that helps."""
        for place in range(len(chosen)):
            rest = [*chosen[:place], *chosen[place + 1 :]]
            other = self.best(base, rest)
            if self.worst(base, [*rest, other]) < self.worst(base, chosen) * (1 - 1e-6):
                chosen = [*rest, other]
        return sorted(chosen)

    def _information(self, base: FloatArray, chosen: list[int]) -> FloatArray:
        total = base.copy()
        for index in set(chosen):
            own = self._own(self.laws.flow(self.openings[[index]])[:, 0], self.duration(index, len(chosen)))
            total += _outer(self._gradient[:, index], 1 / (own / chosen.count(index) + self._steep[:, index] ** 2))
        return total

    def _own(self, flow: FloatArray, duration: float) -> FloatArray:
        """Relative variance of one catch: repeatability, or readability and timer where they are larger."""
        mass = np.maximum(flow * duration, 1e-9)
        read = self.session.scale_readability / math.sqrt(12) * math.sqrt(2) / mass
        type_b = read**2 + (self.session.timer_uncertainty / duration) ** 2
        return np.asarray(np.maximum(self.session.repeatability**2, type_b))


def _outer(gradient: FloatArray, weight: FloatArray) -> FloatArray:
    return np.asarray(weight[:, None, None] * gradient[:, :, None] * gradient[:, None, :])


def _laws(known: FlowCurve | None, largest: float, *, own: bool) -> _Laws:
    """The laws that the material may have."""
    if known is None or known.flow_scale is None or known.dead_opening is None or known.exponent is None:
        exponent, dead, share = (grid.ravel() for grid in np.meshgrid(EXPONENTS, DEAD_OPENINGS, WORKING_SHARES))
        return _Laws(largest / (share - dead) ** exponent, dead, exponent)
    doubt, shift = (0.0, (0.0, 0.0)) if own else (SCALE_DOUBT, SHAPE_DOUBT)
    signs = np.array([(0, 0, 0), (1, 1, 1), (1, -1, -1), (-1, 1, -1), (-1, -1, 1)], dtype=np.float64)
    return _Laws(
        known.flow_scale * np.exp(doubt * signs[:, 0]),
        np.maximum(known.dead_opening + shift[0] * signs[:, 1], 0.0),
        known.exponent + shift[1] * signs[:, 2],
    )


def _plan(
    chosen: tuple[int, ...],
    design: _Design,
    base: FloatArray,
    now: float | None,
    target: float,
    known: FlowCurve | None,
) -> CatchPlan:
    predicted = design.worst(base, list(chosen))
    planned = _spread_durations(chosen, design)
    assumed = ("repeatability",) if known is not None else ("flow", "repeatability")
    return CatchPlan(
        planned,
        predicted,
        now,
        design.in_use,
        2 * predicted <= target,
        design.working,
        sum(one.expected_mass for one in planned),
        sum(one.duration for one in planned),
        assumed,
    )


def _spread_durations(chosen: tuple[int, ...], design: _Design) -> tuple[PlannedCatch, ...]:
    """The catches with their durations; where the longest is, one is short: a repeat of it, or one more."""
    planned = [(index, design.duration(index, len(chosen))) for index in chosen]
    if planned:
        index, time = max(planned, key=lambda one: one[1])
        if chosen.count(index) > 1:
            planned.remove((index, time))
        planned.append((index, time * SHORT_PART))
    ordered = sorted(planned, key=lambda one: (one[0], -one[1]))
    return tuple(
        PlannedCatch(float(design.openings[index]), _whole(time), design.mass(index, _whole(time)))
        for index, time in ordered
    )


def _whole(seconds: float) -> float:
    """A duration that can be read off a watch: in steps of 5 s, from 5 s."""
    return max(5.0, 5.0 * round(seconds / 5))


def _check(
    smallest: float,
    largest: float,
    session: Session,
    known: FlowCurve | None,
    opening: ArrayLike,
    duration: ArrayLike,
    target: float,
    most: int,
) -> tuple[FloatArray, FloatArray]:
    for name, value in (("smallest_flow", smallest), ("largest_flow", largest), ("bucket", session.bucket),
                        ("bag", session.bag), ("repeatability", session.repeatability)):  # fmt: skip
        if not 0 < value < math.inf:
            _refuse(f"bad_{name}", f"{name} must be above zero", (name,), "a finite value above zero")
    if not smallest < largest:
        _refuse("bad_range", "the smallest flow is not below the largest", ("smallest_flow",), "below the largest flow")
    if not 0 < target < 1:
        _refuse("bad_target", "the target is no share", ("target",), "between 0 and 100 %")
    if not 1 <= most <= 100:
        _refuse("bad_most", "that many catches cannot be planned", ("most",), "1 to 100")
    places = np.asarray(opening, dtype=np.float64).reshape(-1)
    times = np.asarray(duration, dtype=np.float64).reshape(-1)
    if len(places) != len(times):
        _refuse("lengths_differ", "each catch so far needs its duration", ("caught",), "one duration for each opening")
    if len(places) and known is None:
        _refuse("curve_missing", "the catches so far go with their curve", ("caught",), "the curve of these catches")
    if not (((places >= LEAST) & (places <= 1)).all() and ((times >= LEAST) & (times <= LARGEST)).all()):
        _refuse("bad_catch", "a catch so far cannot be", ("caught",), "openings above 0 to 100 %, durations above 0")
    if known is not None and not inverse(known, smallest) < 1:
        _refuse("beyond_full_opening", "the known curve never gives the smallest flow", ("smallest_flow",), "less flow")
    return places, times


def _refuse(code: str, message: str, where: tuple[str | int, ...], allowed: str) -> None:
    raise CalibrationError(code, message, where=where, allowed=allowed)
