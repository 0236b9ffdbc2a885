"""From pooled openings to a fitted power law, its covariance and how well it fits.

Fits are written as generators that yield a :class:`.solver.Problem` and are sent its
:class:`.solver.Solution`, so that the same steps serve one case in plain floats and many in arrays.
"""

import math
from collections.abc import Generator, Sequence
from dataclasses import dataclass

from scipy.special import chdtrc, fdtrc

from .catches import UncertaintyModel
from .errors import CalibrationError
from .pooling import Pool, Session
from .solver import Problem, Solution

Fitting = Generator[Problem, Solution, "Law"]

OFFSET_EXPONENTS = (0.5, 3.0)
POWER_EXPONENTS = (0.2, 6.0)

SHARE_OF_SMALLEST = 0.999
"""Upper bound of the dead opening, as a share of the smallest opening that let material through."""

PASSES = 3
"""How often the weights are taken from the curve before; each pass moves them a tenth as much as the last."""


@dataclass(frozen=True)
class Prior:
    """What earlier curves say of the shape: normal, independent.

    Attributes
    ----------
    exponent, exponent_uncertainty : float
    dead_opening, dead_opening_uncertainty : float
        [share of range].
    """

    exponent: float
    exponent_uncertainty: float
    dead_opening: float
    dead_opening_uncertainty: float


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


def fit_law(
    session: Session, *, form: str, weighting: str, model: UncertaintyModel, prior: Prior | None = None
) -> Fitting:
    """Fit offset power or power.

    With ``uncertainty`` weighting each pooled flow weighs by u² = u_q² + (dq/dx)² u_x²: the opening's
    error is one for each distinct opening, so repeats at one setting do not shrink it. u_q is relative,
    and it and the slope are taken from the curve of the pass before. With ``equal`` weighting every
    catch weighs alike, which is ordinary least squares on the flows.
    """
    bounds = _bounds(session, form)
    free = 1 + sum(low < high for low, high in bounds)
    terms = (0.0, 0.0, 0.0, 0.0) if prior is None else _prior_terms(prior)
    if len(session.pools) < free and prior is None:
        _refuse_form(form, len(session.pools), free)
    if weighting == "equal":
        return (yield from _fit_equal(session, bounds, terms, free))
    return (yield from _fit_weighted(session, bounds, terms, free, model))


def _bounds(session: Session, form: str) -> tuple[tuple[float, float], tuple[float, float]]:
    if form == "power":
        return (0.0, 0.0), POWER_EXPONENTS
    columns = zip(session.catches.opening.tolist(), session.catches.mass.tolist(), strict=True)
    flowing = min([opening for opening, mass in columns if mass > 0.0])
    return (0.0, SHARE_OF_SMALLEST * flowing), OFFSET_EXPONENTS


def _prior_terms(prior: Prior) -> tuple[float, float, float, float]:
    return (
        prior.dead_opening,
        prior.dead_opening_uncertainty**-2,
        prior.exponent,
        prior.exponent_uncertainty**-2,
    )


def _refuse_form(form: str, openings: int, free: int) -> None:
    raise CalibrationError(
        "too_few_openings_for_form",
        f"{form} has {free} parameters and needs as many openings; {openings} were caught: "
        "the form power, or auto, can do with them",
        where=("form",),
        given=form,
        allowed="power or auto, or catches at more openings",
    )


def _fit_weighted(
    session: Session,
    bounds: tuple[tuple[float, float], tuple[float, float]],
    prior: tuple[float, float, float, float],
    free: int,
    model: UncertaintyModel,
) -> Fitting:
    pools = session.pools
    openings, flows = [pool.opening for pool in pools], [pool.flow for pool in pools]
    rise = _log_rise(openings, flows)
    fitted, slopes = flows, [rise * q / x for x, q in zip(openings, flows, strict=True)]
    start = None
    for _ in range(PASSES):
        uncertainty = _effective(pools, fitted, slopes, model.opening_uncertainty)
        solution = yield Problem(openings, flows, uncertainty, *bounds, prior, start)
        start = (solution.dead_opening, solution.exponent)
        fitted, slopes = _along(solution, openings)
    freedom = len(pools) + (2 if prior[1] else 0) - free
    excess = max(1.0, solution.chi_square / freedom) if freedom else 1.0
    spread = session.repeatability.degrees_of_freedom
    tested = None
    if freedom and not prior[1]:
        own = [(pool.standard_deviation / u) ** 2 for pool, u in zip(pools, uncertainty, strict=True)]
        tested = _exceedance(solution.chi_square, freedom, spread * (len(own) / sum(own)) ** 2)
    return _law(solution, bounds, (fitted, slopes, uncertainty), freedom, excess, spread, tested)


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
    """Probability of a chi-square this large; F, as the spread it is measured by is itself estimated."""
    if math.isinf(spread_freedom):
        return float(chdtrc(freedom, chi_square))
    return float(fdtrc(freedom, spread_freedom, chi_square / freedom))


def _fit_equal(
    session: Session,
    bounds: tuple[tuple[float, float], tuple[float, float]],
    prior: tuple[float, float, float, float],
    free: int,
) -> Fitting:
    flows, counts, pure = _plain_means(session)
    used = [index for index, reason in enumerate(session.why_unused) if reason is None]
    size = math.sqrt(sum([(session.relative[i] * session.flow[i]) ** 2 for i in used]) / len(used))
    openings = [pool.opening for pool in session.pools]
    uncertainty = [size * math.sqrt(count) for count in counts]
    solution = yield Problem(openings, flows, uncertainty, *bounds, prior)
    repeats = len(used) - sum([len(pool.sides) for pool in session.pools])
    misfit = len(openings) + (2 if prior[1] else 0) - free
    freedom = misfit + repeats
    if freedom == 0:
        raise CalibrationError(
            "too_few_catches",
            "equal weighting takes the spread from the residuals and needs more catches than parameters",
            where=("weighting",),
            given="equal",
            allowed="weighting uncertainty, or more catches",
        )
    pure /= size**2
    chi_square = solution.chi_square + pure
    tested = None
    if misfit and repeats and pure > 0.0 and not prior[1]:
        tested = float(fdtrc(misfit, repeats, solution.chi_square / misfit / (pure / repeats)))
    excess = chi_square / freedom
    if prior[1]:
        return _law(
            solution,
            bounds,
            (*_along(solution, openings), uncertainty),
            freedom,
            max(1.0, excess),
            session.repeatability.degrees_of_freedom,
            tested,
            pure,
        )
    along = (*_along(solution, openings), uncertainty)
    return _law(solution, bounds, along, freedom, excess, float(freedom), tested, pure)


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


def _law(
    solution: Solution,
    bounds: tuple[tuple[float, float], tuple[float, float]],
    along: tuple[Sequence[float], Sequence[float], Sequence[float]],
    freedom: int,
    excess: float,
    covariance_freedom: float,
    lack_of_fit_p: float | None,
    pure: float = 0.0,
) -> Law:
    at_bound = _at_bound(solution, bounds)
    return Law(
        solution.flow_scale,
        solution.dead_opening,
        solution.exponent,
        tuple(along[0]),
        tuple(along[1]),
        tuple(along[2]),
        solution.chi_square + pure,
        freedom,
        _covariance(solution, bounds, at_bound, excess),
        covariance_freedom,
        lack_of_fit_p,
        at_bound,
        solution.converged,
    )


def _at_bound(solution: Solution, bounds: tuple[tuple[float, float], tuple[float, float]]) -> tuple[str, ...]:
    values = {"dead_opening": solution.dead_opening, "exponent": solution.exponent}
    return tuple(
        [
            name
            for (name, value), (low, high) in zip(values.items(), bounds, strict=True)
            if low < high and (value <= low or value >= high)
        ]
    )


def _covariance(
    solution: Solution,
    bounds: tuple[tuple[float, float], tuple[float, float]],
    at_bound: tuple[str, ...],
    excess: float,
) -> tuple[tuple[float, ...], ...]:
    """Covariance of (ln a, c, p).

    A free parameter has the inverse normal matrix. One at its bound has the distance at which the
    least sum of squares over all others, seen along it, has risen by one unit; the others follow it
    as the least squares ask. A fixed one has none.
    """
    aa, ac, ap, cc, cp, pp = solution.normal
    normal = ((aa, ac, ap), (ac, cc, cp), (ap, cp, pp))
    free = [0]
    held = []
    for index, (name, (low, high)) in enumerate(zip(("dead_opening", "exponent"), bounds, strict=True), start=1):
        if name in at_bound:
            held.append(index)
        elif low < high:
            free.append(index)
    inverse = _invert(normal, free)
    total = [[inverse[i][j] * excess for j in range(3)] for i in range(3)]
    for index in held:
        follow = [-sum([inverse[i][j] * normal[j][index] for j in range(3)]) for i in range(3)]
        follow[index] = 1.0
        bend = sum([follow[i] * normal[i][index] for i in range(3)])
        rise = abs(solution.pull[index - 1])
        reach = excess / (rise + math.sqrt(rise * rise + bend * excess)) if excess > 0.0 else 0.0
        for i in range(3):
            for j in range(3):
                total[i][j] += reach * reach * follow[i] * follow[j]
    return tuple([tuple(row) for row in total])


def _invert(normal: Sequence[Sequence[float]], free: Sequence[int]) -> list[list[float]]:
    """Inverse of the free block by Gauss-Jordan on the scaled matrix, zeros elsewhere."""
    size = [math.sqrt(normal[i][i]) for i in free]
    work = [
        [normal[i][j] / (size[r] * size[k]) for k, j in enumerate(free)]
        + [1.0 if r == k else 0.0 for k in range(len(free))]
        for r, i in enumerate(free)
    ]
    for r in range(len(free)):
        pivot = work[r][r]
        if pivot < 1e-13:
            raise CalibrationError(
                "shape_undetermined",
                "the openings are too close together to tell the shape of the curve",
                where=("catches",),
                allowed="catches at openings further apart",
            )
        work[r] = [value / pivot for value in work[r]]
        for k in range(len(free)):
            if k != r:
                factor = work[k][r]
                work[k] = [value - factor * top for value, top in zip(work[k], work[r], strict=True)]
    inverse = [[0.0] * 3 for _ in range(3)]
    for r, i in enumerate(free):
        for k, j in enumerate(free):
            inverse[i][j] = work[r][len(free) + k] / (size[r] * size[k])
    return inverse
