"""From pooled openings to a fitted power law, its covariance and how well it fits.

Fits are written as generators that yield a :class:`.solver.Problem` and are sent its
:class:`.solver.Solution`, so that the same steps serve one case in plain floats and many in arrays.
"""

import math
from collections.abc import Generator, Sequence
from dataclasses import dataclass

from scipy.special import chdtrc, fdtrc

from .catches import UncertaintyModel
from .covariance import Bounds, covariance, held_at
from .errors import CalibrationError
from .pooling import Pool, Session
from .solver import FINE, Problem, Solution

Fitting = Generator[Problem, Solution, "Law"]

OFFSET_EXPONENTS = (0.5, 3.0)
POWER_EXPONENTS = (0.2, 6.0)

SHARE_OF_SMALLEST = 0.999
"""Upper bound of the dead opening, as a share of the smallest opening that let material through."""

PASSES = (1e-7, FINE)
"""Precision of each pass of the fit; the weights of a pass come from the curve of the one before.
A third pass would move flows by less than 2 % of their standard uncertainty in 99 of 100 sessions."""


@dataclass(frozen=True)
class Prior:
    """What earlier curves say of the shape: normal.

    Attributes
    ----------
    exponent, exponent_uncertainty : float
    dead_opening, dead_opening_uncertainty : float
        [share of range].
    correlation : float
        Between the two.
    """

    exponent: float
    exponent_uncertainty: float
    dead_opening: float
    dead_opening_uncertainty: float
    correlation: float = 0.0

    def __post_init__(self) -> None:
        self._check("exponent", -10.0, 10.0)
        self._check("dead_opening", -10.0, 10.0)
        self._check("exponent_uncertainty", 1e-6, 1e6)
        self._check("dead_opening_uncertainty", 1e-6, 1e6)
        self._check("correlation", -0.999, 0.999)

    def _check(self, name: str, low: float, high: float) -> None:
        value = getattr(self, name)
        if not low <= value <= high:
            allowed = f"a finite number, {low:g} to {high:g}"
            message = f"{name} is {value!r}; allowed is {allowed}"
            raise CalibrationError("bad_prior", message, where=("prior", name), given=value, allowed=allowed)

    def weights(self) -> tuple[float, float, float]:
        """Elements of the inverse covariance: of the dead opening, of the exponent, of both together."""
        u_dead, u_exponent, part = self.dead_opening_uncertainty, self.exponent_uncertainty, 1.0 - self.correlation**2
        return 1.0 / (u_dead**2 * part), 1.0 / (u_exponent**2 * part), -self.correlation / (u_dead * u_exponent * part)


DEFAULT_PRIOR = Prior(1.6, 0.4, 0.08, 0.05)
"""Assumed until the fleet's own curves say better."""


@dataclass(frozen=True, slots=True)
class Law:
    """A fitted power law.

    Attributes
    ----------
    flow_scale, dead_opening, exponent : float
    fitted, slope : tuple of float
        Flow [kg/s] and its derivative at the pooled openings.
    uncertainty : tuple of float
        Standard uncertainties of the pooled flows that the fit used [kg/s].
    chi_square : float
    degrees_of_freedom : int
    covariance : tuple of tuple of float
        Of (ln a, c, p), inflated where the residuals ask for it.
    covariance_freedom : float
        Degrees of freedom behind the covariance.
    lack_of_fit_p : float or None
    at_bound : tuple of str
    converged : bool
    """

    flow_scale: float
    dead_opening: float
    exponent: float
    fitted: tuple[float, ...]
    slope: tuple[float, ...]
    uncertainty: tuple[float, ...]
    chi_square: float
    degrees_of_freedom: int
    covariance: tuple[tuple[float, ...], ...]
    covariance_freedom: float
    lack_of_fit_p: float | None
    at_bound: tuple[str, ...]
    converged: bool


def flow_at(law: Law, opening: float) -> float:
    """Flow of the law at one opening [kg/s]."""
    above = opening - law.dead_opening
    return law.flow_scale * above**law.exponent if above > 0.0 else 0.0


def slope_at(law: Law, opening: float) -> float:
    """Derivative of :func:`flow_at` [kg/s per range]."""
    above = opening - law.dead_opening
    return law.flow_scale * law.exponent * above ** (law.exponent - 1.0) if above > 0.0 else 0.0


@dataclass(frozen=True, slots=True)
class _Shape:
    """What is free, and what is known beforehand."""

    bounds: Bounds
    prior: tuple[float, float, float, float, float]
    free: int
    known: int


def fit_law(
    session: Session, *, form: str, weighting: str, model: UncertaintyModel, prior: Prior | None = None
) -> Fitting:
    """Fit offset power or power.

    With ``uncertainty`` weighting each pooled flow weighs by u² = u_q² + (dq/dx)² u_x²: the opening's
    error is one for each distinct opening, so repeats at one setting do not shrink it. u_q is relative,
    and it and the slope are taken from the curve of the pass before. With ``equal`` weighting every
    catch weighs alike, which is ordinary least squares on the flows.

    Raises
    ------
    CalibrationError
        With fewer openings than parameters and no prior, or openings too close to tell the parameters.
    """
    shape = _shape(session, form, prior)
    if weighting == "equal":
        return (yield from _fit_equal(session, shape))
    return (yield from _fit_weighted(session, shape, model))


def _shape(session: Session, form: str, prior: Prior | None) -> _Shape:
    bounds = _bounds(session, form)
    free = 1 + sum([low < high for low, high in bounds])
    if prior is not None:
        by_dead, by_exponent, joint = prior.weights()
        return _Shape(bounds, (prior.dead_opening, by_dead, prior.exponent, by_exponent, joint), free, 2)
    openings = len(session.pools)
    if openings < free:
        raise CalibrationError(
            "too_few_openings_for_form",
            f"{form} has {free} parameters and needs as many openings; {openings} were caught: "
            "the form power, or auto, can do with them",
            where=("form",),
            given=form,
            allowed="power or auto, or catches at more openings",
        )
    return _Shape(bounds, (0.0, 0.0, 0.0, 0.0, 0.0), free, 0)


def _bounds(session: Session, form: str) -> Bounds:
    if form == "power":
        return (0.0, 0.0), POWER_EXPONENTS
    columns = zip(session.catches.opening.tolist(), session.catches.mass.tolist(), strict=True)
    flowing = min([opening for opening, mass in columns if mass > 0.0])
    return (0.0, SHARE_OF_SMALLEST * flowing), OFFSET_EXPONENTS


def _fit_weighted(session: Session, shape: _Shape, model: UncertaintyModel) -> Fitting:
    pools = session.pools
    openings, flows = [pool.opening for pool in pools], [pool.flow for pool in pools]
    rise = _log_rise(openings, flows)
    fitted, slopes = flows, [rise * q / x for x, q in zip(openings, flows, strict=True)]
    start = None
    for precision in PASSES:
        uncertainty = _effective(pools, fitted, slopes, model.opening_uncertainty)
        solution = yield Problem(openings, flows, uncertainty, *shape.bounds, shape.prior, start, precision)
        start = (solution.dead_opening, solution.exponent)
        fitted, slopes = _along(solution, openings)
    freedom = len(pools) + shape.known - shape.free
    spread = session.repeatability.degrees_of_freedom
    tested = None
    if freedom and not shape.known:
        tested = _exceedance(solution.chi_square, freedom, spread)
    excess = max(1.0, solution.chi_square / freedom) if freedom else 1.0
    test = _Test(solution.chi_square, freedom, tested, excess, spread)
    return _law(solution, shape.bounds, fitted, slopes, uncertainty, test)


def _log_rise(openings: Sequence[float], flows: Sequence[float]) -> float:
    """Slope of ln q over ln x between the ends, kept between 0.5 and 4: only the first weights rest on it."""
    rise = math.log(flows[-1] / flows[0]) / math.log(openings[-1] / openings[0])
    return min(max(rise, 0.5), 4.0)


def _effective(
    pools: Sequence[Pool], fitted: Sequence[float], slopes: Sequence[float], opening_uncertainty: float
) -> list[float]:
    """Effective standard uncertainties; a fitted flow far below the measured one does not vouch for it."""
    return [
        math.hypot(pool.standard_deviation * max(flow / pool.flow, 0.5), slope * opening_uncertainty)
        for pool, flow, slope in zip(pools, fitted, slopes, strict=True)
    ]


def _along(solution: Solution, openings: Sequence[float]) -> tuple[list[float], list[float]]:
    scale, dead, exponent = solution.flow_scale, solution.dead_opening, solution.exponent
    fitted = [scale * (x - dead) ** exponent for x in openings]
    return fitted, [exponent * flow / (x - dead) for x, flow in zip(openings, fitted, strict=True)]


def _exceedance(chi_square: float, freedom: int, spread_freedom: float) -> float:
    """Probability of a chi-square this large; F, as the spread it is measured by is itself estimated.

    All of the uncertainty is taken to be as poorly known as the spread, though the opening's part is not:
    that errs on the side of the law (a true one is rejected at 1 % in about 0.5 % of sessions).
    """
    if math.isinf(spread_freedom):
        return float(chdtrc(freedom, chi_square))
    return float(fdtrc(freedom, spread_freedom, chi_square / freedom))


def _fit_equal(session: Session, shape: _Shape) -> Fitting:
    flows, shares, pure = _plain_means(session)
    used = [index for index, reason in enumerate(session.why_unused) if reason is None]
    size = math.sqrt(sum([(session.relative[i] * session.flow[i]) ** 2 for i in used]) / len(used))
    openings = [pool.opening for pool in session.pools]
    uncertainty = [size * math.sqrt(share) for share in shares]
    solution = yield Problem(openings, flows, uncertainty, *shape.bounds, shape.prior)
    repeats = len(used) - sum([len(pool.sides) for pool in session.pools])
    misfit = len(openings) + shape.known - shape.free
    test = _equal_test(solution.chi_square, misfit, pure / size**2, repeats, session, shape)
    return _law(solution, shape.bounds, *_along(solution, openings), uncertainty, test)


def _equal_test(missed: float, misfit: int, pure: float, repeats: int, session: Session, shape: _Shape) -> "_Test":
    """Judge equal weights: without a prior the residuals alone say how large the spread is."""
    freedom = misfit + repeats
    if freedom == 0:
        raise CalibrationError(
            "too_few_catches",
            "equal weighting takes the spread from the residuals and needs more catches than parameters",
            where=("weighting",),
            given="equal",
            allowed="weighting uncertainty, or more catches",
        )
    chi_square = missed + pure
    excess = chi_square / freedom
    if shape.known:
        spread = session.repeatability.degrees_of_freedom
        return _Test(chi_square, freedom, None, max(1.0, excess), spread)
    tested = None
    if misfit and repeats and pure > 0.0:
        tested = _exceedance(missed / (pure / repeats), misfit, float(repeats))
    return _Test(chi_square, freedom, tested, excess, float(freedom))


def _plain_means(session: Session) -> tuple[list[float], list[float], float]:
    """Unweighted mean flow at each opening, its variance in units of one catch's, sum of squares within."""
    flows, shares, pure = [], [], 0.0
    for pool in session.pools:
        mean = share = 0.0
        for side in pool.sides:
            values = [session.flow[index] for index in side.members]
            middle = sum(values) / len(values)
            mean += middle
            share += 1.0 / len(values)
            pure += sum([(value - middle) ** 2 for value in values])
        flows.append(mean)
        shares.append(share)
    return flows, shares, pure


@dataclass(frozen=True, slots=True)
class _Test:
    """How well a law fits, and what that does to its covariance."""

    chi_square: float
    degrees_of_freedom: int
    lack_of_fit_p: float | None
    excess: float
    covariance_freedom: float


def _law(
    solution: Solution,
    bounds: Bounds,
    fitted: Sequence[float],
    slopes: Sequence[float],
    uncertainty: Sequence[float],
    test: _Test,
) -> Law:
    at_bound = held_at(solution, bounds)
    return Law(
        flow_scale=solution.flow_scale,
        dead_opening=solution.dead_opening,
        exponent=solution.exponent,
        fitted=tuple(fitted),
        slope=tuple(slopes),
        uncertainty=tuple(uncertainty),
        chi_square=test.chi_square,
        degrees_of_freedom=test.degrees_of_freedom,
        covariance=covariance(solution, bounds, at_bound, test.excess),
        covariance_freedom=test.covariance_freedom,
        lack_of_fit_p=test.lack_of_fit_p,
        at_bound=at_bound,
        converged=solution.converged,
    )
