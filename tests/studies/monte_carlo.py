"""Does first-order propagation hold? Stated 95 % intervals against a Monte Carlo of the same errors (JCGM 101:2008).

Each case fixes a session and how unsure its inputs are. The Monte Carlo draws the inputs about what was measured, fits
the law to each draw, and takes the 2.5 and 97.5 % points of what the law then says. JCGM 101, clause 8: first order is
validated where both ends agree within the numerical tolerance, half a unit of the second significant digit of the
standard uncertainty. All spreads are given, so that no t factor stands between the two.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.special import stdtrit

from catchpan_service.calibration.catches import Catches, UncertaintyModel, catches
from catchpan_service.calibration.curve import flow
from catchpan_service.calibration.flow_curve import FlowFit, fit_flow_curve
from catchpan_service.calibration.law import DEFAULT_PRIOR, OFFSET_EXPONENTS, SHARE_OF_SMALLEST
from catchpan_service.calibration.opening import opening_for_rate
from catchpan_service.calibration.overlap_interval import cv_bounds
from catchpan_service.calibration.pattern import Pattern
from catchpan_service.calibration.pooling import pool
from catchpan_service.calibration.solver import Problem
from catchpan_service.calibration.solver_arrays import solve_many
from catchpan_service.calibration.superposition import folded_cv
from catchpan_service.calibration.throw import speed_for, throw_at, throw_law

BLOCKS: Final = 20
"""Parts of the draws whose scatter tells how well the Monte Carlo knows an end."""

WIDTH: Final = 3.0
"""Laid width [m]; the speed is 1 m/s."""

Ends = tuple[float, float]


@dataclass(frozen=True)
class Compared:
    """Stated ends against drawn ones.

    Attributes
    ----------
    what : str
    stated, drawn : tuple of float
    tolerance : float
        Half a unit of the second significant digit of the standard uncertainty.
    doubt : float
        Standard uncertainty of the drawn ends.
    """

    what: str
    stated: Ends
    drawn: Ends
    tolerance: float
    doubt: float

    @property
    def off(self) -> Ends:
        """Differences of both ends, over the tolerance."""
        low, high = ((ours - theirs) / self.tolerance for ours, theirs in zip(self.stated, self.drawn, strict=True))
        return low, high

    @property
    def size(self) -> float:
        """Largest difference of an end over the half width of the interval."""
        half = (self.drawn[1] - self.drawn[0]) / 2
        return max(abs(one) for one in self.off) * self.tolerance / half

    def holds(self) -> bool:
        """Whether both ends agree, with the doubt of the draws in view."""
        return max(abs(one) for one in self.off) <= 1.0 + 2.0 * self.doubt / self.tolerance

    def line(self) -> str:
        """One line of the report."""
        low, high = self.off
        verdict = "holds" if self.holds() else f"off by {self.size:.0%} of the half width"
        return f"  {self.what:34}{low:9.1f}{high:9.1f}   +/- {2 * self.doubt / self.tolerance:4.1f}   {verdict}"


def compared(what: str, stated: Sequence[float], draws: np.ndarray) -> Compared:
    """Hold an interval against the draws."""
    deviation = float(draws.std())
    tolerance = 0.5 * 10.0 ** (math.floor(math.log10(deviation)) - 1)
    blocks = np.array([np.quantile(part, (0.025, 0.975)) for part in np.array_split(draws, BLOCKS)])
    doubt = float(blocks.std(axis=0, ddof=1).max() / math.sqrt(BLOCKS))
    low, high = np.quantile(draws, (0.025, 0.975)).tolist()
    return Compared(what, (float(stated[0]), float(stated[1])), (low, high), tolerance, doubt)


@dataclass(frozen=True)
class Case:
    """A session and the opening that it is used at."""

    name: str
    openings: tuple[float, ...]
    working: float
    dead: float = 0.08
    exponent: float = 1.7
    spread: float = 0.02

    def session(self) -> Catches:
        """Catches that lie on the true curve: the errors are drawn about them."""
        at = np.array(self.openings)
        flows = 0.3 * ((at - self.dead) / (1.0 - self.dead)) ** self.exponent
        return catches(opening=at, mass=flows * 30.0, duration=np.full(len(at), 30.0))

    def model(self) -> UncertaintyModel:
        """Everything given."""
        return UncertaintyModel(repeatability=self.spread, scale_readability=1e-6, timer_uncertainty=1e-6)


TWICE: Final = tuple(sorted((0.18, 0.26, 0.38, 0.58, 0.90) * 2))
CASES: Final = (
    Case("five openings twice, used in the middle", TWICE, 0.5),
    Case("five openings twice, used at the smallest", TWICE, 0.18),
    Case("five openings twice, used 2 % above the dead opening", TWICE, 0.10),
    Case("five openings twice, no dead opening: at its bound", TWICE, 0.5, dead=0.0),
    Case("four openings once, spread 4 %", (0.20, 0.30, 0.50, 0.85), 0.4, spread=0.04),
    Case("three openings with the prior", (0.20, 0.38, 0.80), 0.5),
    Case("two openings with the prior, used between", (0.24, 0.70), 0.45),
    Case("two openings with the prior, used beyond", (0.24, 0.70), 0.90),
)


@dataclass(frozen=True)
class Laws:
    """The law of each draw, arrays (n,)."""

    scale: np.ndarray
    dead: np.ndarray
    exponent: np.ndarray

    def flow(self, opening: np.ndarray | float) -> np.ndarray:
        """Flows [kg/s]."""
        return self.scale * np.maximum(opening - self.dead, 0.0) ** self.exponent


def drawn_laws(case: Case, fit: FlowFit, count: int, rng: np.random.Generator) -> Laws:
    """Fit the law to each draw of flows, openings and, where there is one, the prior's centre."""
    model = case.model()
    pools = pool(case.session(), model).pools
    x, q, u_q = (np.array([getattr(one, name) for one in pools]) for name in ("opening", "flow", "standard_deviation"))
    u = np.array([one.standard_uncertainty for one in fit.openings])
    openings = x + rng.normal(0.0, model.opening_uncertainty, (count, len(x)))
    flows = q + u_q * rng.standard_normal((count, len(x)))
    by_dead, by_exponent, joint = DEFAULT_PRIOR.weights() if fit.prior_influence else (0.0, 0.0, 0.0)
    dead = rng.normal(DEFAULT_PRIOR.dead_opening, DEFAULT_PRIOR.dead_opening_uncertainty, count).tolist()
    exponent = rng.normal(DEFAULT_PRIOR.exponent, DEFAULT_PRIOR.exponent_uncertainty, count).tolist()
    weights = u.tolist()
    problems = [
        Problem(
            at,
            flow,
            weights,
            (0.0, SHARE_OF_SMALLEST * min(at)),
            OFFSET_EXPONENTS,
            (c, by_dead, p, by_exponent, joint),
            (case.dead, case.exponent),
            1e-8,
        )
        for at, flow, c, p in zip(openings.tolist(), flows.tolist(), dead, exponent, strict=True)
    ]
    found = solve_many(problems)
    return Laws(
        *(np.array([getattr(one, name) for one in found]) for name in ("flow_scale", "dead_opening", "exponent"))
    )


def curve_case(case: Case, count: int, seed: int = 1) -> list[Compared]:
    """Rate, opening, flow and parameters of one case."""
    rng = np.random.default_rng(seed)
    model = case.model()
    fit = fit_flow_curve(case.session(), model=model)
    needed = float(flow(fit.curve, case.working))
    answer = opening_for_rate(fit.curve, rate=needed / WIDTH, speed=1.0, laid_width=WIDTH)
    alone = opening_for_rate(
        replace(fit.curve, opening_uncertainty=0.0), rate=needed / WIDTH, speed=1.0, laid_width=WIDTH
    )
    laws = drawn_laws(case, fit, count, rng)
    shared = 1.0 + model.shared_uncertainty * rng.standard_normal(count)
    gate = model.opening_uncertainty * rng.standard_normal(count)
    at = float(answer.opening)
    draws = {"flow_scale": laws.scale, "dead_opening": laws.dead, "exponent": laws.exponent}
    rows = [
        compared("rate", answer.rate_interval_this_machine, laws.flow(at + gate) * shared / WIDTH),
        compared("opening", answer.opening_interval, _used(laws, needed, shared) - gate),
        compared("flow curve", alone.rate_interval_this_machine, laws.flow(at) * shared / WIDTH),
    ]
    reach = float(stdtrit(1e9, 0.975))
    for name, own in fit.parameters.items():
        ends = (own.value - reach * own.standard_uncertainty, own.value + reach * own.standard_uncertainty)
        rows.append(compared(name.replace("_", " "), ends, draws[name]))
    return rows


def _used(laws: Laws, needed: float, shared: np.ndarray) -> np.ndarray:
    """Openings that give the flow by each law, the scale's own error seen through it."""
    return laws.dead + (needed / (laws.scale * shared)) ** (1.0 / laws.exponent)


def throw_case(speeds: Sequence[float], at: float, count: int, seed: int = 2) -> list[Compared]:
    """Throw at a speed, and speed for that throw, of paced throws that lie on a law with exponent 0.8."""
    rng = np.random.default_rng(seed)
    speed, known = np.array(speeds), 1e6
    throw = 4.5 * (speed / 8.0) ** 0.8
    law = throw_law(speed=speed, throw=throw, reading_weight=known)
    wanted = 4.5 * (at / 8.0) ** 0.8
    paced = throw + 0.1524 * rng.standard_normal((count, len(speed)))
    x = np.log(speed / law.reference_speed)
    weight = (throw / 0.1524) ** 2
    design = np.column_stack([np.ones_like(x), x])
    level, exponent = np.linalg.solve(
        design.T @ (weight[:, None] * design), design.T @ (weight[:, None] * np.log(paced.T))
    )
    there, back = throw_at(law, speed=[at]), speed_for(law, throw=[wanted])
    return [
        compared("throw at the speed", (there.low[0], there.high[0]), np.exp(level + exponent * np.log(at / law.reference_speed))),
        compared("speed for the throw", (back.low[0], back.high[0]), law.reference_speed * np.exp((np.log(wanted) - level) / exponent)),
    ]  # fmt: skip


def cv_case(spacing: float, count: int, *, rows: int = 3, noise: float = 0.10, seed: int = 3) -> list[Compared]:
    """CV of a triangle of 13 pans a foot apart, which scatter between rows, driven back and forth."""
    rng = np.random.default_rng(seed)
    position = 0.3048 * np.arange(-6.0, 7.0)
    rate = 0.02 * (1.0 - np.abs(position) / (7 * 0.3048))
    many = 1_000_000
    known = Pattern(position, rate, noise * math.sqrt(many / rows), many, rate[None])  # so many leave no t factor
    at = np.array([spacing])
    bounds = cv_bounds(known, spacings=at, driving="back_and_forth")
    noisy = rate * (1.0 + noise / math.sqrt(rows) * rng.standard_normal((count, len(rate))))
    draws = folded_cv(positions=position, rates=noisy, spacings=at, driving="back_and_forth")[:, 0]
    return [] if bounds is None else [compared("CV", (bounds.low[0], bounds.high[0]), draws)]


def cases(count: int) -> Iterator[tuple[str, Callable[[], list[Compared]]]]:
    """Name of each case and what computes it."""
    for case in CASES:
        yield case.name, lambda case=case: curve_case(case, count)
    for words, speeds, at in (
        ("throws at five speeds, in the middle", (4.0, 6.0, 8.0, 10.0, 12.0), 8.0),
        ("throws at three speeds, at the end", (5.0, 7.0, 10.0), 10.0),
        ("throws at three speeds close together, beyond", (7.0, 8.0, 9.0), 14.0),
    ):
        yield words, lambda speeds=speeds, at=at: throw_case(speeds, at, 10 * count)
    for words, spacing in (("CV well within the limit, passes 7 ft apart", 2.1336), ("CV at 12 ft", 3.6576)):
        yield words, lambda spacing=spacing: cv_case(spacing, min(count, 20_000))


def report(count: int = 100_000) -> str:
    """All cases."""
    lines = [
        f"stated 95 % interval less that of {count} draws, low and high end, in units of the numerical tolerance",
        "(half a unit of the second digit of the standard uncertainty), and what the draws leave open",
    ]
    for name, compute in cases(count):
        lines += ["", name, *(one.line() for one in compute())]
    return "\n".join(lines)
