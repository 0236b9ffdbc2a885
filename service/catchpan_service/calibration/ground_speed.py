"""Ground speed from a timed course, and what the controller's pulses make of the same course."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtrit

from .catches import ENOUGH_REPEATS, REPEATABILITY_WEIGHT, TIMER_UNCERTAINTY
from .errors import CalibrationError
from .findings import Finding

COURSE_UNCERTAINTY = 0.003
"""Assumed relative standard uncertainty of a paced-out and taped course (from memory)."""

REPEATABILITY = 0.02
"""Assumed relative standard deviation between runs, where too few runs tell it (from memory)."""

MOST_UNSURE = 7.0
"""Logarithm of the factor to an end of the interval beyond which nothing is known."""

LARGEST = 1e9
"""No distance, time, speed or count is larger, nor smaller than its reciprocal."""

SPEED_TOLERANCE = 0.02
"""Difference between controller and course that may stay, relative (common practice)."""


@dataclass(frozen=True)
class GroundSpeed:
    """The speed over a course.

    Attributes
    ----------
    speed, standard_uncertainty : float
        [m/s].
    interval : tuple of float
        95 % [m/s].
    degrees_of_freedom : float
    pulses_per_metre : float or None
    controller_difference : float or None
        Controller's speed over that of the course, less 1.
    pulse_difference : float or None
        Distance that the controller makes of the pulses over that of the course, less 1.
    findings : tuple of Finding
    """

    speed: float
    standard_uncertainty: float
    interval: tuple[float, float]
    degrees_of_freedom: float
    pulses_per_metre: float | None
    controller_difference: float | None
    pulse_difference: float | None
    findings: tuple[Finding, ...]


def ground_speed(
    *,
    distance: float,
    durations: ArrayLike,
    pulses: ArrayLike | None = None,
    controller_speed: float | None = None,
    controller_pulses_per_metre: float | None = None,
    timer_uncertainty: float = TIMER_UNCERTAINTY,
    course_uncertainty: float = COURSE_UNCERTAINTY,
) -> GroundSpeed:
    """Measure ground speed over a course, and compare the controller with it.

    The speed is distance over the mean duration. Its variance is that of the mean of the runs, or of the timer where
    that is larger, since runs already contain the timer's error (GUM, 4.2 and 4.3); the course adds its own. As with
    catches, fewer than seven runs are drawn towards an assumed repeatability.

    Parameters
    ----------
    distance : float
        Length of the course [m].
    durations : array_like, shape (n,)
        Time of each run [s].
    pulses : array_like, shape (n,), optional
        Pulses counted in each run.
    controller_speed : float, optional
        What the controller showed [m/s].
    controller_pulses_per_metre : float, optional
        What the controller is set to [1/m].
    timer_uncertainty : float
        Standard uncertainty of one duration [s].
    course_uncertainty : float
        Relative standard uncertainty of the course.

    Raises
    ------
    CalibrationError
        For a value that is not above zero, or pulses without a run.

    Examples
    --------
    >>> run = ground_speed(distance=60.96, durations=[45.4, 45.5])
    >>> round(run.speed / 0.44704, 2)
    3.0
    """
    times = np.asarray(durations, dtype=np.float64).reshape(-1)
    _positive("distance", distance)
    if not len(times):
        raise CalibrationError(
            "no_runs", "a course needs a timed run", where=("durations",), allowed="one or more times"
        )
    for index, time in enumerate(times.tolist()):
        _positive("durations", time, index)
    for name, value in (("controller_speed", controller_speed),
                        ("controller_pulses_per_metre", controller_pulses_per_metre)):  # fmt: skip
        if value is not None:
            _positive(name, value)
    for name, value in (("timer_uncertainty", timer_uncertainty), ("course_uncertainty", course_uncertainty)):
        _positive(name, value, zero=True)
    speed = float(distance / times.mean())
    relative, freedom = _relative(times, timer_uncertainty, course_uncertainty)
    reach = float(stdtrit(freedom, 0.975) * relative)
    if not reach <= MOST_UNSURE:
        message, allowed = "so short a run cannot be timed", "runs that are long against the timer's uncertainty"
        raise CalibrationError(
            "run_too_short", message, where=("durations",), given=float(times.min()), allowed=allowed
        )
    spread = float(np.exp(reach))
    per_metre = _pulses_per_metre(pulses, len(times), distance)
    off = None if controller_speed is None else controller_speed / speed - 1
    wrong = None
    if per_metre is not None and controller_pulses_per_metre is not None:
        wrong = per_metre / controller_pulses_per_metre - 1
    found = tuple(_findings(off, wrong, relative))
    return GroundSpeed(speed, speed * relative, (speed / spread, speed * spread), freedom, per_metre, off, wrong, found)


def _relative(
    times: "np.ndarray[tuple[int, ...], np.dtype[np.float64]]", timer: float, course: float
) -> tuple[float, float]:
    """Relative standard uncertainty of the speed, and its degrees of freedom (Welch-Satterthwaite, GUM G.4)."""
    mean = float(times.mean())
    scatter, freedom = _scatter(times / mean)
    own = max(scatter, timer / mean) / np.sqrt(len(times))
    both = float(np.hypot(own, course))
    if timer / mean >= scatter or own == 0:
        return both, np.inf
    return both, float(freedom * (both / own) ** 4)


def _scatter(relative: "np.ndarray[tuple[int, ...], np.dtype[np.float64]]") -> tuple[float, float]:
    """Standard deviation of one run and its degrees of freedom; few runs are drawn towards the assumed value.

    Two runs that agree by chance would else make a speed far too sure.
    """
    freedom = len(relative) - 1
    squares = float(((relative - 1.0) ** 2).sum())
    if freedom >= ENOUGH_REPEATS:
        return float(np.sqrt(squares / freedom)), float(freedom)
    together = freedom + REPEATABILITY_WEIGHT
    return float(np.sqrt((squares + REPEATABILITY_WEIGHT * REPEATABILITY**2) / together)), together


def _pulses_per_metre(pulses: ArrayLike | None, runs: int, distance: float) -> float | None:
    if pulses is None:
        return None
    counted = np.asarray(pulses, dtype=np.float64).reshape(-1)
    if len(counted) != runs:
        allowed = f"{runs} counts, one for each run"
        raise CalibrationError("wrong_length", "each run needs its pulses", where=("pulses",), allowed=allowed)
    for index, count in enumerate(counted.tolist()):
        _positive("pulses", count, index)
    return float(counted.mean() / distance)


def _findings(off: float | None, wrong: float | None, relative: float) -> list[Finding]:
    found = []
    shown = "The controller shows a speed that is {:+.1f} % off the course."
    counted = "The controller makes {:+.1f} % more distance of the pulses than the course has."
    for by, what in ((off, shown), (wrong, counted)):
        if by is not None and abs(by) > max(SPEED_TOLERANCE, 2 * relative):
            advice = (
                "Look at tyre pressure and load, then set the controller's distance anew and drive the course again."
            )
            found.append(Finding("speed_differs", "look", what.format(100 * by), advice))
    return found


def _positive(name: str, value: float, index: int | None = None, *, zero: bool = False) -> None:
    if not (1.0 / LARGEST <= value <= LARGEST or (zero and value == 0)):
        where: tuple[str | int, ...] = (name,) if index is None else (name, index)
        allowed = "0 or above" if zero else "a finite value above zero"
        raise CalibrationError(f"bad_{name}", f"{name} must be {allowed}", where=where, given=value, allowed=allowed)
