"""One session's weighed catches, checked, and what is known about their errors."""

import math
from collections.abc import Sequence, Sized
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .errors import CalibrationError

FloatArray = NDArray[np.float64]

STREAMS = ("steady", "pulsing", "stopped")
GATES = ("both", "left", "right")

SCALE_READABILITY = 0.25 * 0.028349523125
"""Assumed step of the scale [kg]: a quarter of an ounce, the accuracy that Univ. of Georgia's granular
applicator sheet (Sumner) asks of a scale."""

TIMER_UNCERTAINTY = 0.15
"""Assumed standard uncertainty of start and stop together [s]: about 0.1 s for each (from memory)."""

OPENING_UNCERTAINTY = 0.003
"""Assumed standard uncertainty of an opening [share of the gate's range]: actuator and stop finding."""

SHARED_UNCERTAINTY = 0.005
"""Assumed relative standard uncertainty common to all catches of a session: scale span, reaction time."""

REPEATABILITY = 0.02
"""Assumed relative standard deviation between repeated catches, where too few repeats tell it."""

REPEATABILITY_WEIGHT = 5.0
"""Degrees of freedom with which the assumed repeatability enters."""

ENOUGH_REPEATS = 6
"""Degrees of freedom from which the repeats alone tell the repeatability."""

LEAST, MOST = 1e-9, 1e9
"""No opening, mass [kg] or duration [s] of a catch is smaller, but 0, or larger."""

SAME_OPENING = 9
"""Openings that agree to this many decimals are one opening (they differ by conversion only)."""


@dataclass(frozen=True)
class Catches:
    """The catches of one session, in the order they were given; see :func:`catches`."""

    opening: FloatArray
    mass: FloatArray
    duration: FloatArray
    stream: tuple[str, ...]
    gates: tuple[str, ...]
    weighings: FloatArray


@dataclass(frozen=True)
class UncertaintyModel:
    """What is known about the errors of a session's catches.

    Attributes
    ----------
    scale_readability : float
        Step of the scale [kg]; each weighing has the standard uncertainty step/sqrt(12) (GUM, F.2.2.1).
    timer_uncertainty : float
        Standard uncertainty of a duration, start and stop together [s].
    opening_uncertainty : float
        Standard uncertainty of a set opening [share of the range].
    shared_uncertainty : float
        Relative standard uncertainty common to all catches, not shrunk by repeats.
    repeatability : float or None
        Relative standard deviation between repeats; None takes it from the catches (:mod:`.pooling`).
    assumed : tuple of str
        Names of the fields that were left at their default.
    """

    scale_readability: float = SCALE_READABILITY
    timer_uncertainty: float = TIMER_UNCERTAINTY
    opening_uncertainty: float = OPENING_UNCERTAINTY
    shared_uncertainty: float = SHARED_UNCERTAINTY
    repeatability: float | None = None
    assumed: tuple[str, ...] = (
        "scale_readability",
        "timer_uncertainty",
        "opening_uncertainty",
        "shared_uncertainty",
    )

    def __post_init__(self) -> None:
        for name in ("scale_readability", "timer_uncertainty", "opening_uncertainty", "shared_uncertainty"):
            _require_size(name, getattr(self, name), least=0.0)
        if self.repeatability is not None:
            _require_size("repeatability", self.repeatability, least=1e-6)


def uncertainty_model(
    *,
    scale_readability: float | None = None,
    timer_uncertainty: float | None = None,
    opening_uncertainty: float | None = None,
    shared_uncertainty: float | None = None,
    repeatability: float | None = None,
) -> UncertaintyModel:
    """Build an :class:`UncertaintyModel`; what is None is assumed, and named in ``assumed``."""
    given = {
        "scale_readability": scale_readability,
        "timer_uncertainty": timer_uncertainty,
        "opening_uncertainty": opening_uncertainty,
        "shared_uncertainty": shared_uncertainty,
    }
    known = {name: value for name, value in given.items() if value is not None}
    assumed = tuple(name for name in given if name not in known)
    return UncertaintyModel(**known, repeatability=repeatability, assumed=assumed)


def catches(
    *,
    opening: ArrayLike,
    mass: ArrayLike,
    duration: ArrayLike,
    stream: Sequence[str] | None = None,
    gates: Sequence[str] | None = None,
    weighings: ArrayLike | None = None,
) -> Catches:
    """Check one session's catches and hold them as arrays.

    Parameters
    ----------
    opening : array_like, shape (n,)
        Openings, 0 to 1 [share of the gate's range].
    mass : array_like, shape (n,)
        Net masses [kg]; 0 only where the stream stopped.
    duration : array_like, shape (n,)
        Durations [s].
    stream : sequence of str, optional
        ``steady`` (default), ``pulsing`` or ``stopped``.
    gates : sequence of str, optional
        ``both`` (default), ``left`` or ``right``.
    weighings : array_like, optional
        Number of weighings behind each net mass: 1 (default), or 2 where gross and tare were weighed.

    Returns
    -------
    Catches

    Raises
    ------
    CalibrationError
        For the first value that cannot be, with its place as ``where``.
    """
    openings, masses, durations = _column(opening), _column(mass), _column(duration)
    size = len(openings)
    streams = ("steady",) * size if stream is None else tuple(stream)
    sides = ("both",) * size if gates is None else tuple(gates)
    counts = np.ones(size) if weighings is None else _column(weighings)
    columns: dict[str, Sized] = {
        "mass": masses,
        "duration": durations,
        "stream": streams,
        "gates": sides,
        "weighings": counts,
    }
    for name, column in columns.items():
        if len(column) != size:
            raise CalibrationError(
                "lengths_differ",
                f"{name} has {len(column)} values where opening has {size}",
                where=(name,),
                given=len(column),
                allowed=f"{size} values",
            )
    rows = zip(openings.tolist(), masses.tolist(), durations.tolist(), streams, sides, counts.tolist(), strict=True)
    for index, row in enumerate(rows):
        _check_catch(index, *row)
    return Catches(openings, masses, durations, streams, sides, counts)


def _column(values: ArrayLike) -> FloatArray:
    return np.array(values, dtype=np.float64).reshape(-1)


def _check_catch(
    index: int, opening: float, mass: float, duration: float, stream: str, gates: str, weighings: float
) -> None:
    if not 0.0 <= opening <= 1.0:
        _refuse(index, "opening", opening, "an opening from 0 to 1 of the gate's range")
    if not 0.0 <= mass < math.inf:
        _refuse(index, "mass", mass, "a finite mass, not negative")
    if not 0.0 < duration < math.inf:
        _refuse(index, "duration", duration, "a finite duration above zero")
    for name, value in (("opening", opening), ("mass", mass), ("duration", duration)):
        if value != 0.0 and not LEAST <= value <= MOST:
            _refuse(index, name, value, f"a value from {LEAST:g} to {MOST:g} in kg and s, or as a share of the range")
    if stream not in STREAMS:
        _refuse(index, "stream", stream, "steady, pulsing or stopped")
    if gates not in GATES:
        _refuse(index, "gates", gates, "both, left or right")
    if weighings not in (1.0, 2.0):
        _refuse(index, "weighings", weighings, "1, or 2 where gross and tare were weighed")
    if mass == 0.0 and stream != "stopped":
        _refuse(index, "mass", mass, "a mass above zero, unless the stream stopped")
    if opening == 0.0 and mass > 0.0:
        _refuse(index, "opening", opening, "an opening above 0 where material was caught")


def _refuse(index: int, name: str, given: object, allowed: str) -> None:
    raise CalibrationError(
        f"bad_{name}",
        f"catch {index + 1}: {name} is {given!r}; allowed is {allowed}",
        where=("catches", index, name),
        given=given,
        allowed=allowed,
    )


def _require_size(name: str, value: float, *, least: float) -> None:
    if not least <= value < math.inf:
        allowed = f"a finite number, {least:g} or more"
        raise CalibrationError(
            f"bad_{name}",
            f"{name} is {value!r}; allowed is {allowed}",
            where=(name,),
            given=value,
            allowed=allowed,
        )
