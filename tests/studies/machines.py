"""Invented machines that make the errors which the uncertainty model assumes, and catches on them."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from catchpan_service.calibration.catches import (
    OPENING_UNCERTAINTY,
    REPEATABILITY,
    REPEATABILITY_WEIGHT,
    SHARED_UNCERTAINTY,
    Catches,
    catches,
)
from catchpan_service.calibration.flow_curve import FitCase


@dataclass(frozen=True)
class Law:
    """A true curve."""

    flow_scale: float
    dead_opening: float
    exponent: float

    def flow(self, opening: float) -> float:
        """True flow [kg/s]."""
        return self.flow_scale * max(opening - self.dead_opening, 0.0) ** self.exponent


@dataclass(frozen=True)
class Machine(Law):
    """A true curve, and what a session of catches on it gave."""

    case: FitCase


def machine(
    rng: np.random.Generator,
    openings: Sequence[float],
    spread: float | None = None,
    *,
    dead: tuple[float, float] = (0.03, 0.1),
) -> Machine:
    """Make up a machine and catch on it; the spread is drawn as the model assumes unless it is given."""
    law = invented(rng, dead)
    if spread is None:
        spread = REPEATABILITY * np.sqrt(REPEATABILITY_WEIGHT / rng.chisquare(REPEATABILITY_WEIGHT))
    case = FitCase(caught(rng, law, openings, spread))
    return Machine(law.flow_scale, law.dead_opening, law.exponent, case)


def invented(rng: np.random.Generator, dead: tuple[float, float]) -> Law:
    """Make up a true curve."""
    exponent, zero = rng.uniform(1.2, 2.2), rng.uniform(*dead)
    return Law(rng.uniform(0.2, 0.5) / (1.0 - zero) ** exponent, zero, exponent)


def caught(rng: np.random.Generator, law: Law, openings: Sequence[float], spread: float) -> Catches:
    """Catch: the gate is off at each distinct opening, the scale for all catches, and each catch by the spread."""
    shared = rng.normal(0.0, SHARED_UNCERTAINTY)
    set_at = {opening: opening + rng.normal(0.0, OPENING_UNCERTAINTY) for opening in openings}
    true = np.array([law.flow(set_at[opening]) for opening in openings])
    seconds = np.clip(2.0 / true, 10.0, 60.0)
    masses = true * seconds * (1.0 + shared) * np.exp(rng.normal(0.0, spread, len(openings)))
    return catches(opening=openings, mass=masses, duration=seconds)
