"""One machine's checks over time: EWMA and CUSUM charts, and how often they would cry wolf."""

import math
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr

from .catches import FloatArray
from .errors import CalibrationError
from .findings import Finding

EWMA_WEIGHT = 0.2
"""Assumed weight of the newest check: slow drifts are what is looked for."""

EWMA_LIMIT = 2.962
"""Standard deviations to the EWMA's limits; with weight 0.2 one false alarm in 500 checks (Lucas and Saccucci,
Technometrics 32 (1990) 1; from memory, and computed by :func:`ewma_run_length`)."""

CUSUM_SLACK = 0.5
"""Half the shift that is looked for [standard deviations]: that of one standard deviation."""

CUSUM_LIMIT = 5.0
"""Decision limit of the CUSUM [standard deviations]; one false alarm in 465 checks, both sides together (from
memory, and computed by :func:`cusum_run_length`)."""

FLEET = 150
"""Machines of the fleet for which false alarms are told, unless another number is given."""

NODES = 48
"""Gauss-Legendre nodes of the integral equations: 120 move no run length by more than 3 in a million."""

LARGEST = 1e12
"""No charted value is larger."""


@dataclass(frozen=True)
class Ewma:
    """Exponentially weighted moving averages, in the unit of the values.

    Attributes
    ----------
    average : FloatArray
        After each value.
    low, high : float
        Limits in the long run.
    """

    average: FloatArray
    low: float
    high: float


@dataclass(frozen=True)
class Cusum:
    """Tabular cumulative sums after each value, in the unit of the values.

    Attributes
    ----------
    high, low : FloatArray
        Sums of what lies above and below the target by more than the slack; both are 0 or above.
    """

    high: FloatArray
    low: FloatArray


@dataclass(frozen=True)
class CheckSeries:
    """Both charts over a machine's standardised checks; see :func:`check_series`.

    Attributes
    ----------
    standardised : FloatArray
        ln(ratio) over its standard uncertainty.
    ewma : Ewma
    cusum : Cusum
    signal : tuple of str or None
        After each check: ``high``, ``low``, or None.
    ewma_run_length, cusum_run_length : float
        Mean number of checks to a false alarm on a machine that is in order.
    false_alarms : float
        False alarms a month over the fleet, both charts together: at most so many.
    findings : tuple of Finding
    """

    standardised: FloatArray
    ewma: Ewma
    cusum: Cusum
    signal: tuple[str | None, ...]
    ewma_run_length: float
    cusum_run_length: float
    false_alarms: float
    findings: tuple[Finding, ...]


def ewma(values: ArrayLike, *, target: float, deviation: float, weight: float, limit: float) -> Ewma:
    """Exponentially weighted moving averages z = w x + (1 - w) z, from the target.

    The limits are target -/+ limit x deviation x sqrt(w / (2 - w)) (NIST/SEMATECH e-Handbook, 6.3.2.4).

    Parameters
    ----------
    values : array_like, shape (n,)
    target, deviation : float
        Mean and standard deviation of the values in order.
    weight : float
        Weight of the newest value, above 0, at most 1.
    limit : float
        Standard deviations to the limits.

    Raises
    ------
    CalibrationError
        For a value that cannot be.
    """
    column = _column(values)
    _check_chart(weight=weight, limit=limit, deviation=deviation)
    _check_target(target)
    averages, average = [], target
    for value in column.tolist():
        average += weight * (value - average)
        averages.append(average)
    reach = limit * deviation * math.sqrt(weight / (2.0 - weight))
    return Ewma(np.array(averages), target - reach, target + reach)


def cusum(values: ArrayLike, *, target: float, slack: float) -> Cusum:
    """Tabular CUSUM: S = max(0, S + x - target - slack), and the same below (NIST/SEMATECH e-Handbook, 6.3.2.3).

    Parameters
    ----------
    values : array_like, shape (n,)
    target : float
    slack : float
        In the unit of the values, 0 or above.

    Raises
    ------
    CalibrationError
        For a value that cannot be.
    """
    column = _column(values)
    _check_target(target)
    if not 0.0 <= slack <= LARGEST:
        _refuse("slack", slack, f"0 to {LARGEST:g}")
    rows, high, low = [], 0.0, 0.0
    for value in column.tolist():
        high = max(0.0, high + value - target - slack)
        low = max(0.0, low + target - slack - value)
        rows.append((high, low))
    sums = np.array(rows)
    return Cusum(sums[:, 0], sums[:, 1])


@lru_cache(maxsize=256)
def ewma_run_length(*, weight: float, limit: float, shift: float = 0.0) -> float:
    """Mean number of checks until the EWMA of standard normal values, shifted, leaves its limits.

    Solves the integral equation L(z) = 1 + 1/w ∫ L(y) phi((y - (1 - w) z)/w - shift) dy between the limits (Crowder,
    Technometrics 29 (1987) 401; from memory) by Gauss-Legendre quadrature.
    """
    _check_chart(weight=weight, limit=limit)
    if weight < 0.02 or limit > 6.0:
        _refuse("weight", weight, "a weight of 0.02 or more, and a limit of at most 6")
    reach = limit * math.sqrt(weight / (2.0 - weight))
    nodes, weights = _nodes(-reach, reach)
    start = np.append(nodes, 0.0)
    density = _density((nodes - (1.0 - weight) * start[:, None]) / weight - shift) * weights / weight
    inside = np.linalg.solve(np.eye(NODES) - density[:-1], np.ones(NODES))
    return float(1.0 + density[-1] @ inside)


@lru_cache(maxsize=256)
def cusum_run_length(*, slack: float, limit: float, shift: float = 0.0) -> float:
    """Mean number of checks until a two-sided CUSUM of standard normal values, shifted, passes its limit.

    One side solves L(s) = 1 + L(0) Phi(k - s) + ∫ L(y) phi(y + k - s) dy from 0 to the limit (Page, Biometrika 41
    (1954) 100; from memory); the sides go together as 1/L = 1/L+ + 1/L- (Kemp, 1961; from memory).
    """
    if not 0.0 < slack <= 3.0:
        _refuse("slack", slack, "above 0, at most 3")
    if not 0.0 < limit <= 10.0:
        _refuse("limit", limit, "above 0, at most 10")
    return 1.0 / (1.0 / _one_sided(slack - shift, limit) + 1.0 / _one_sided(slack + shift, limit))


def _one_sided(slack: float, limit: float) -> float:
    nodes, weights = _nodes(0.0, limit)
    start = np.append(nodes, 0.0)
    step = np.empty((NODES + 1, NODES + 1))
    step[:, :NODES] = _density(nodes + slack - start[:, None]) * weights
    step[:, NODES] = ndtr(slack - start)
    return float(np.linalg.solve(np.eye(NODES + 1) - step, np.ones(NODES + 1))[-1])


@cache
def _gauss() -> tuple[FloatArray, FloatArray]:
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    return nodes, weights


def _nodes(low: float, high: float) -> tuple[FloatArray, FloatArray]:
    nodes, weights = _gauss()
    half = 0.5 * (high - low)
    return low + half * (nodes + 1.0), half * weights


def _density(z: FloatArray) -> FloatArray:
    return np.asarray(np.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi))


def check_series(
    *,
    ratio: ArrayLike,
    standard_uncertainty: ArrayLike,
    weight: float = EWMA_WEIGHT,
    ewma_limit: float = EWMA_LIMIT,
    slack: float = CUSUM_SLACK,
    cusum_limit: float = CUSUM_LIMIT,
    machines: int = FLEET,
    checks_per_month: float = 1.0,
) -> CheckSeries:
    """Look for a drift in the checks of one machine, oldest first.

    Parameters
    ----------
    ratio : array_like, shape (n,)
        Caught over promised flow of each check.
    standard_uncertainty : array_like, shape (n,)
        Relative, of each ratio.
    weight, ewma_limit : float
        Of the EWMA; the limit in standard deviations.
    slack, cusum_limit : float
        Of the CUSUM, in standard deviations.
    machines : int
        Fleet for which false alarms are told.
    checks_per_month : float
        Checks of each machine.

    Returns
    -------
    CheckSeries

    Raises
    ------
    CalibrationError
        For a value that cannot be, or columns of different lengths.

    Notes
    -----
    Checks are standardised, z = ln(ratio)/u, so that poor and good ones go on one chart; they count as independent.
    An error that they share, as of the calibration itself, shows as a drift from the first check on.
    """
    ratios, uncertainties = _column(ratio, "ratio"), _column(standard_uncertainty, "standard_uncertainty")
    if len(ratios) != len(uncertainties):
        _refuse("standard_uncertainty", len(uncertainties), f"{len(ratios)} values, one for each ratio")
    _check_each("ratio", ratios, 0.01, 100.0)
    _check_each("standard_uncertainty", uncertainties, 1e-4, 1.0)
    if not 1 <= machines <= 1_000_000:
        _refuse("machines", machines, "1 to 1 000 000")
    if not 0.0 < checks_per_month <= 1000.0:
        _refuse("checks_per_month", checks_per_month, "above 0, at most 1000")
    run_lengths = (
        ewma_run_length(weight=weight, limit=ewma_limit),
        cusum_run_length(slack=slack, limit=cusum_limit),
    )
    values = np.log(ratios) / uncertainties
    averages = ewma(values, target=0.0, deviation=1.0, weight=weight, limit=ewma_limit)
    sums = cusum(values, target=0.0, slack=slack)
    high = (averages.average > averages.high) | (sums.high > cusum_limit)
    low = (averages.average < averages.low) | (sums.low > cusum_limit)
    signal = tuple("high" if up else "low" if down else None for up, down in zip(high, low, strict=True))
    alarms = machines * checks_per_month * sum(1.0 / length for length in run_lengths)
    return CheckSeries(values, averages, sums, signal, *run_lengths, alarms, tuple(_findings(signal)))


def _findings(signal: tuple[str | None, ...]) -> list[Finding]:
    first = next((index for index, side in enumerate(signal) if side is not None), None)
    if first is None:
        return []
    side = "more" if signal[first] == "high" else "less"
    return [
        Finding(
            "machine_drifts",
            "look",
            f"From check {first + 1} on the machine gives {side} than it should: too steadily for chance.",
            "Find the stops anew with the gauge, then catch at two openings.",
            ("checks", first),
        )
    ]


def _column(values: ArrayLike, name: str = "values") -> FloatArray:
    column = np.asarray(values, dtype=np.float64)
    if column.ndim != 1 or not 0 < len(column) <= 100_000:
        _refuse(name, column.shape, "a column of 1 to 100 000 values")
    _check_each(name, column, -LARGEST, LARGEST)
    return column


def _check_each(name: str, column: FloatArray, low: float, high: float) -> None:
    bad = np.flatnonzero(~((column >= low) & (column <= high)))
    if bad.size:
        given, allowed = float(column[bad[0]]), f"{low:g} to {high:g}"
        message = f"{name} is {given!r}; allowed is {allowed}"
        raise CalibrationError(f"bad_{name}", message, where=(name, int(bad[0])), given=given, allowed=allowed)


def _check_chart(*, weight: float, limit: float, deviation: float = 1.0) -> None:
    if not 0.0 < weight <= 1.0:
        _refuse("weight", weight, "above 0, at most 1")
    if not 0.0 < limit < 100.0:
        _refuse("limit", limit, "above 0, below 100")
    if not 0.0 < deviation <= LARGEST:
        _refuse("deviation", deviation, f"above 0, at most {LARGEST:g}")


def _check_target(target: float) -> None:
    if not abs(target) <= LARGEST:
        _refuse("target", target, f"{-LARGEST:g} to {LARGEST:g}")


def _refuse(name: str, given: object, allowed: str) -> None:
    raise CalibrationError(
        f"bad_{name}", f"{name} is {given!r}; allowed is {allowed}", where=(name,), given=given, allowed=allowed
    )
