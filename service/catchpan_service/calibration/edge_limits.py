"""Limits that edge passes and whole maps share."""

from dataclasses import dataclass

from .limits import limited

LOWEST_RELATIVE, HIGHEST_RELATIVE = 0.75, 1.25
"""Smallest and largest rate over the wanted rate that a lawn may get, unless told otherwise (a judgement)."""

OFF_TARGET_LIMIT = 0.01
"""Share of the material that may land off target, unless told otherwise (a judgement)."""

ROUNDING = 1e-9
"""A limit that is met to rounding is met."""


@dataclass(frozen=True)
class Limits:
    """Largest share off target, and smallest and largest rate over the wanted rate."""

    off_target: float
    lowest: float
    highest: float


def checked_limits(off_target: float, lowest: float, highest: float) -> Limits:
    """Return limits, each where it can be; CalibrationError by its name for one that cannot."""
    limited("off_target_limit", off_target, 0.0, 0.999, "0 or above, below 100 %")
    limited("lowest_relative", lowest, 0.0, 0.999, "0 or above, below 100 %")
    limited("highest_relative", highest, 1.001, 10.0, "above 100 %, up to 1000 %")
    return Limits(off_target, lowest, highest)


def label_share(rate: float | None, label_highest_rate: float | None) -> float | None:
    """Return the wanted rate over the label's highest, None where one of them is not known."""
    for name, value in (("rate", rate), ("label_highest_rate", label_highest_rate)):
        if value is not None:
            limited(name, value, 1e-9, 100.0, "above zero")
    return None if rate is None or label_highest_rate is None else rate / label_highest_rate


def length(name: str, value: float, smallest: float) -> float:
    """Return a length [m] that is not below the smallest nor beyond any spreader; CalibrationError by its name."""
    return float(limited(name, value, smallest, 200.0, f"{smallest:g} to 200 m"))
