"""What a commissioning shows beside the gates and the ground speed: balance, impeller speed, and the scale."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from .catches import FloatArray
from .errors import CalibrationError
from .findings import Finding
from .suspicions import IMBALANCE

IMPELLER_TOLERANCE = 0.02
"""The panel's impeller speed may differ from the tachometer's by this, relative (common practice)."""

SCALE_TOLERANCE = 0.005
"""A scale may be off its check weight by this, relative: a tenth of the 5 % that a check catch allows."""


@dataclass(frozen=True)
class Compared:
    """Measured against shown, or left against right.

    Attributes
    ----------
    values : FloatArray, shape (n,)
        The share left of all that fell; or shown over measured, less 1.
    findings : tuple of Finding
    """

    values: FloatArray
    findings: tuple[Finding, ...]


def balance(*, left: ArrayLike, right: ArrayLike, tolerance: float = IMBALANCE) -> Compared:
    """The share of each catch that fell left.

    share = left / (left + right); out of balance where left and right differ by more than the tolerance of their mean.

    Parameters
    ----------
    left, right : array_like, shape (n,)
        Masses that fell on each side in one catch [kg].
    tolerance : float
        Difference of the sides that may stay [share of their mean].

    Raises
    ------
    CalibrationError
        Masses below 0, nothing that fell, not as many left as right.

    Examples
    --------
    >>> balance(left=[1.02], right=[0.98]).values.round(3).tolist()
    [0.51]
    """
    sides = [_amounts(name, values) for name, values in (("left", left), ("right", right))]
    if sides[0].shape != sides[1].shape:
        raise CalibrationError(
            "wrong_length", "left and right go in pairs", where=("right",), allowed="as many right as left"
        )
    total = sides[0] + sides[1]
    for index in np.flatnonzero(total <= 0).tolist():
        message = "nothing fell on either side"
        raise CalibrationError("bad_left", message, where=("left", index), allowed="a mass above 0 on one side")
    share = sides[0] / total
    apart = 2 * np.abs(2 * share - 1)
    found = [
        Finding(
            "gates_out_of_balance",
            "look",
            f"Left and right differ by {100 * by:.1f} % of their mean.",
            "Find the stops of both gates anew with the gauge, and catch both sides again.",
            ("left", index),
        )
        for index, by in enumerate(apart.tolist())
        if by > tolerance
    ]
    return Compared(share, tuple(found))


def impeller_speeds(*, panel: ArrayLike, tachometer: ArrayLike, tolerance: float = IMPELLER_TOLERANCE) -> Compared:
    """How far the panel's impeller speeds are above those by tachometer, relative.

    Parameters
    ----------
    panel, tachometer : array_like, shape (n,)
        Speeds shown and measured [1/s].
    tolerance : float
        Difference that may stay, relative.

    Raises
    ------
    CalibrationError
        Speeds that are not above 0, not as many of one as of the other.

    Examples
    --------
    >>> impeller_speeds(panel=[10.3], tachometer=[10.0]).values.round(3).tolist()
    [0.03]
    """
    return _compared("panel", panel, "tachometer", tachometer, tolerance, _impeller_finding)


def scale_error(*, shown: ArrayLike, weight: ArrayLike, tolerance: float = SCALE_TOLERANCE) -> Compared:
    """How far a scale shows more than a check weight weighs, relative.

    Parameters
    ----------
    shown, weight : array_like, shape (n,)
        What the scale showed, and the check weight [kg].
    tolerance : float
        Difference that may stay, relative.

    Raises
    ------
    CalibrationError
        Masses that are not above 0, not as many of one as of the other.

    Examples
    --------
    >>> scale_error(shown=[5.01], weight=[5.0]).values.round(4).tolist()
    [0.002]
    """
    return _compared("shown", shown, "weight", weight, tolerance, _scale_finding)


def _compared(
    name: str, shown: ArrayLike, other: str, true: ArrayLike, tolerance: float, told: Callable[[int, float], Finding]
) -> Compared:
    pair = [_amounts(name, shown), _amounts(other, true)]
    if pair[0].shape != pair[1].shape:
        message = f"{name} and {other} go in pairs"
        raise CalibrationError("wrong_length", message, where=(other,), allowed=f"as many {other} as {name}")
    for title, values in zip((name, other), pair, strict=True):
        for index in np.flatnonzero(values <= 0).tolist():
            message = f"{title} cannot be {values[index]:g}"
            raise CalibrationError(f"bad_{title}", message, where=(title, index), allowed="above 0")
    off = pair[0] / pair[1] - 1
    return Compared(off, tuple(told(index, by) for index, by in enumerate(off.tolist()) if abs(by) > tolerance))


def _impeller_finding(index: int, by: float) -> Finding:
    what = f"The panel shows an impeller speed {100 * by:+.1f} % from the tachometer's."
    advice = "Set the panel's pulses for each turn, or every throw on this machine is another one."
    return Finding("impeller_speed_differs", "look", what, advice, ("panel", index))


def _scale_finding(index: int, by: float) -> Finding:
    what = f"The scale shows {100 * by:+.2f} % from the check weight."
    advice = "Have it adjusted, or weigh on another one; and look at its unit."
    return Finding("scale_off", "look", what, advice, ("shown", index))


def _amounts(name: str, values: ArrayLike) -> FloatArray:
    found = np.asarray(values, dtype=np.float64).reshape(-1)
    for index in np.flatnonzero(~((found >= 0) & (found <= 1e9))).tolist():
        message = f"{name} cannot be {found[index]:g}"
        raise CalibrationError(f"bad_{name}", message, where=(name, index), allowed="from 0 to 1e9")
    return found
