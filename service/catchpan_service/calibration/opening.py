"""From a wanted rate to the opening that lays it, with how sure that is and what the machine allows."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtrit

from .catches import GATES, FloatArray
from .curve import FlowCurve, fit_variance, flow, inverse, log_slope
from .errors import CalibrationError
from .findings import Finding
from .limits import together

StringArray = NDArray[np.str_]

FEWEST_MACHINES = 3
"""Machines from which anything is said of any machine of the kind."""

COVERAGE = 0.95
"""Probability that an interval holds the true value."""

WIDEST = 1000.0
"""An interval that reaches further than this factor says nothing and is not given."""

LARGEST_CORRECTION = 0.10
"""A correction further from 1 than this asks for a new calibration."""

EQUAL_SHARE = 0.5
"""Assumed share of a gate whose share was never measured."""

LARGEST = 1e15
"""No rate, speed or width in SI is larger, nor smaller than its reciprocal."""

SAME = 1e-9
"""Openings closer than this are the same."""

STATUSES = ("beyond_full_opening", "below_steady_flow", "steadiness_unknown", "outside_catches", "ok")


@dataclass(frozen=True)
class Wanted:
    """What is to be laid, checked and broadcast to one shape; see :func:`opening_for_rate`."""

    rate: FloatArray
    speed: FloatArray
    laid_width: FloatArray
    coverages: FloatArray
    correction: FloatArray
    gates: str


@dataclass(frozen=True)
class OpeningAnswer:
    """Answer of :func:`opening_for_rate`; arrays of the broadcast shape, of shape () for plain numbers.

    Attributes
    ----------
    flow : ndarray
        Flow that the rate needs [kg/s].
    opening : ndarray
        Opening that gives it; NaN where the gate or the curve has none.
    opening_interval : tuple of ndarray
        Openings between which, at 95 %, the one that lays exactly this rate is; an end is NaN where
        it lies beyond full opening or outside a monotone curve.
    rate_interval_this_machine, rate_interval_any_machine : tuple of ndarray
        Rates that this opening would lay, at 95 % [kg/m²]; of any machine NaN until a spread is given. NaN
        also where an end would be a factor of 1000 away, as close above the dead opening.
    set_opening, rate_at_set_opening : ndarray
        Nearest opening that the controller can set, and the rate there [kg/m²].
    speed_range : tuple of ndarray
        Ground speeds that this rate allows, from the smallest steady flow to full opening [m/s]; a
        monotone curve is followed to its last knot only. NaN where no opening was steady.
    status : ndarray of str
        The first that applies of: ``beyond_full_opening``; ``below_steady_flow``, at or below the largest
        unsteady opening; ``steadiness_unknown``, below the smallest steady opening otherwise, as nobody
        has looked there; ``outside_catches``, outside the caught openings; ``ok``.
    findings : tuple of Finding
        Those about one element carry its index as ``where``.
    """

    flow: FloatArray
    opening: FloatArray
    opening_interval: tuple[FloatArray, FloatArray]
    rate_interval_this_machine: tuple[FloatArray, FloatArray]
    rate_interval_any_machine: tuple[FloatArray, FloatArray]
    set_opening: FloatArray
    rate_at_set_opening: FloatArray
    speed_range: tuple[FloatArray, FloatArray]
    status: StringArray
    findings: tuple[Finding, ...]


def opening_for_rate(
    curve: FlowCurve,
    *,
    rate: ArrayLike,
    speed: ArrayLike,
    laid_width: ArrayLike,
    coverages: ArrayLike = 1,
    gates: str = "both",
    correction: ArrayLike = 1.0,
    opening_step: float | None = None,
    label_highest_rate: float | None = None,
    between_machine_spread: float | None = None,
    machines_checked: int | None = None,
) -> OpeningAnswer:
    """Find the opening that lays a rate.

    The flow is rate x laid width x speed / coverages, the opening the inverse of the curve there.

    Parameters
    ----------
    curve : FlowCurve
    rate : array_like
        Mass per area over all coverages [kg/m²].
    speed : array_like
        Ground speed [m/s].
    laid_width : array_like
        Width that one pass answers for [m].
    coverages : array_like
        1, or 2 for half the rate in each of two directions.
    gates : str
        Gates that will be open. One gate of a curve of both gives its measured share, else half.
    correction : array_like
        Factor on the flow of this machine or lot, 0.9 to 1.1.
    opening_step : float, optional
        Step of the controller [share of range].
    label_highest_rate : float, optional
        The label's limit [kg/m²].
    between_machine_spread : float, optional
        Relative standard deviation of the flow between machines of the kind; 0 where a comparison shows none.
    machines_checked : int, optional
        Machines that it comes from; nothing is said of any machine below three.

    Returns
    -------
    OpeningAnswer

    Raises
    ------
    CalibrationError
        For a value that cannot be, or gates that the curve does not describe.

    Notes
    -----
    The relative variance of a laid rate is that of the fit, plus the shared term, plus the opening's
    own error met again in use, (q'/q)² u_x². The interval is rate x exp(-/+ t u): it stays above 0.
    t has the effective degrees of freedom of Welch and Satterthwaite (GUM, G.4), only the fit's
    variance being estimated. The opening interval holds the openings whose flows are q exp(-/+ t u).
    This is first order: from the smallest caught opening upwards its ends are within a tenth of the half width of those
    of a Monte Carlo. They are not close above the dead opening, where both lie too high; with two openings they are off
    by up to two fifths, with the dead opening at its bound by a fifth (``python -m tests.studies monte_carlo``).
    """
    wanted = _wanted(rate, speed, laid_width, coverages, gates, correction)
    _check_optional("opening_step", opening_step, most=1.0)
    _check_optional("label_highest_rate", label_highest_rate)
    needed = wanted.rate * wanted.laid_width * wanted.speed / wanted.coverages
    part = gate_share(curve, gates) * wanted.correction
    exact, placed = _place(curve, needed / part)
    opening = np.where(placed > 1.0 + SAME, np.nan, exact)
    stretch = _stretch(curve, opening, 0.0)
    settable = _settable(opening, opening_step)
    per_flow = part * wanted.coverages / (wanted.laid_width * wanted.speed)
    rate_set = flow(curve, settable) * per_flow
    this_machine = (wanted.rate / stretch, wanted.rate * stretch)
    any_stretch = np.full_like(stretch, np.nan)
    spread = _known_spread(between_machine_spread, machines_checked)
    if spread is not None:
        any_stretch = _stretch(curve, opening, *spread)
    widest = np.where(np.isnan(stretch) & np.isfinite(opening), np.inf, np.fmax(stretch, any_stretch))
    highest = np.fmax(wanted.rate, rate_set) * widest
    status = _status(curve, placed)
    return OpeningAnswer(
        flow=needed,
        opening=opening,
        opening_interval=(
            _on_gate(inverse(curve, needed / part / stretch)),
            _on_gate(inverse(curve, needed / part * stretch)),
        ),
        rate_interval_this_machine=this_machine,
        rate_interval_any_machine=(wanted.rate / any_stretch, wanted.rate * any_stretch),
        set_opening=settable,
        rate_at_set_opening=rate_set,
        speed_range=_speed_range(curve, wanted, part),
        status=status,
        findings=(
            *_general_findings(curve, gates, known=spread is not None),
            *_outside_findings(status),
            *_label_findings(highest, label_highest_rate),
        ),
    )


def _wanted(
    rate: ArrayLike,
    speed: ArrayLike,
    laid_width: ArrayLike,
    coverages: ArrayLike,
    gates: str,
    correction: ArrayLike,
) -> Wanted:
    columns = [np.asarray(value, dtype=np.float64) for value in (rate, speed, laid_width, coverages, correction)]
    for name, column in zip(("rate", "speed", "laid_width"), columns[:3], strict=True):
        _check(name, column, (column >= 1.0 / LARGEST) & (column <= LARGEST), "a finite value above zero")
    _check("coverages", columns[3], (columns[3] == 1.0) | (columns[3] == 2.0), "1 or 2")
    near = np.abs(columns[4] - 1.0) <= LARGEST_CORRECTION + SAME
    _check("correction", columns[4], near, "0.9 to 1.1; beyond that calibrate again")
    names = ("rate", "speed", "laid_width", "coverages", "correction")
    full = together(**dict(zip(names, columns, strict=True)))
    return Wanted(full[0], full[1], full[2], full[3], full[4], gates)


def check_gates(curve: FlowCurve, gates: str) -> None:
    """Refuse gates that the curve does not describe."""
    if gates not in GATES or curve.gates not in ("both", gates):
        allowed = ", ".join(GATES) if curve.gates == "both" else f"{curve.gates}, the gate that was caught"
        raise CalibrationError(
            "bad_gates",
            f"gates is {gates!r}; allowed is {allowed}",
            where=("gates",),
            given=gates,
            allowed=allowed,
        )


def _check(name: str, values: FloatArray, good: NDArray[np.bool_], allowed: str) -> None:
    if good.all():
        return
    index = tuple(int(k) for k in np.argwhere(~good)[0])
    given = float(values[index])
    raise CalibrationError(
        f"bad_{name}",
        f"{name} is {given!r}; allowed is {allowed}",
        where=(name, *index),
        given=given,
        allowed=allowed,
    )


def _check_optional(name: str, value: float | None, *, most: float = np.inf) -> None:
    if value is not None:
        allowed = "a finite value above zero" + (f", at most {most:g}" if np.isfinite(most) else "")
        given = np.asarray(value, dtype=np.float64)
        _check(name, given, np.isfinite(given) & (given > 0.0) & (given <= most), allowed)


def gate_share(curve: FlowCurve, gates: str) -> float:
    """Part of the curve's flow that some gates give: half for one whose share was never measured."""
    check_gates(curve, gates)
    if curve.gates != "both" or gates == "both":
        return 1.0
    left = EQUAL_SHARE if curve.left_share is None else curve.left_share
    return left if gates == "left" else 1.0 - left


def _place(curve: FlowCurve, needed: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Opening (NaN where there is none), and where it lies for the status: outside knots, just outside."""
    opening = inverse(curve, needed)
    if curve.form != "monotone":
        return opening, opening
    below, above = needed < curve.knot_flow[0], needed > curve.knot_flow[-1]
    beside = np.where(below, curve.knot_opening[0] - 1e-6, curve.knot_opening[-1] + 1e-6)
    return opening, np.where(below | above, beside, opening)


def _status(curve: FlowCurve, placed: FloatArray) -> StringArray:
    low, high = curve.opening_range
    unsteady = -np.inf if curve.largest_unsteady_opening is None else curve.largest_unsteady_opening
    steady = np.inf if curve.smallest_steady_opening is None else curve.smallest_steady_opening
    conditions = [
        placed > 1.0 + SAME,
        placed <= unsteady + SAME,
        placed < steady - SAME,
        (placed < low - SAME) | (placed > high + SAME),
    ]
    return np.asarray(np.select(conditions, STATUSES[:-1], STATUSES[-1]))


def _known_spread(spread: float | None, machines: int | None) -> tuple[float, float] | None:
    """The spread between machines and its degrees of freedom, once enough machines were checked."""
    if spread is not None:
        told = np.asarray(spread, dtype=np.float64)
        _check("between_machine_spread", told, (told >= 0.0) & (told <= WIDEST), "a finite value, 0 or above")
    if (spread is None) != (machines is None):
        name = "between_machine_spread" if spread is None else "machines_checked"
        allowed = "between_machine_spread and machines_checked together, or neither"
        message = "the spread between machines goes with their count"
        raise CalibrationError("pair_incomplete", message, where=(name,), allowed=allowed)
    if spread is None or machines is None or machines < FEWEST_MACHINES:
        return None
    return spread, machines - 1.0


def _stretch(curve: FlowCurve, opening: FloatArray, spread: float, spread_freedom: float = math.inf) -> FloatArray:
    """Factor exp(t u) from a rate to the end of its interval; NaN where that is beyond saying.

    The spread enters twice: the machine that was caught and the one that is meant are both drawn from the kind.
    """
    between = 2.0 * spread**2
    fitted = fit_variance(curve, opening)
    own = log_slope(curve, opening) * curve.opening_uncertainty
    total = fitted + curve.shared_uncertainty**2 + own**2 + between
    known = np.where(np.isnan(total), 1.0, fitted)
    estimated = known**2 / curve.degrees_of_freedom + between**2 / spread_freedom
    freedom = np.minimum(total**2 / np.maximum(estimated, 1e-300), 1e9)
    reach = stdtrit(freedom, 0.5 + COVERAGE / 2.0) * np.sqrt(total)
    return np.exp(np.where(reach <= math.log(WIDEST), reach, np.nan))


def _settable(opening: FloatArray, step: float | None) -> FloatArray:
    """Nearest multiple of the controller's step that the gate can reach."""
    if step is None:
        return opening
    last = np.floor(1.0 / step + SAME)
    return np.asarray(np.minimum(np.round(opening / step), last) * step)


def _on_gate(opening: FloatArray) -> FloatArray:
    return np.where(opening <= 1.0 + SAME, opening, np.nan)


def _speed_range(curve: FlowCurve, wanted: Wanted, part: FloatArray) -> tuple[FloatArray, FloatArray]:
    per_flow = part * wanted.coverages / (wanted.rate * wanted.laid_width)
    last = curve.knot_opening[-1] if curve.form == "monotone" else 1.0
    first = np.nan if curve.smallest_steady_opening is None else curve.smallest_steady_opening
    return per_flow * flow(curve, first), per_flow * flow(curve, last)


def _general_findings(curve: FlowCurve, gates: str, *, known: bool) -> Iterator[Finding]:
    if curve.gates == "both" and gates != "both" and curve.left_share is None:
        yield Finding(
            "gate_share_assumed",
            "note",
            "How the two gates share the flow was never measured; one gate is taken to give half.",
            "Catch each side alone at one opening.",
            ("gates",),
        )
    if not known:
        yield Finding(
            "any_machine_unknown",
            "note",
            "How much machines of this kind differ is not known, so nothing is said of any other machine.",
            "Make check catches on three machines of the kind.",
        )


def _outside_findings(status: StringArray) -> Iterator[Finding]:
    for index in np.argwhere(status == "outside_catches"):
        yield Finding(
            "outside_catches",
            "note",
            "The opening lies outside the openings that were caught: the curve is only continued there.",
            "Catch at an opening beyond this one.",
            tuple(int(k) for k in index),
        )


def _label_findings(highest: FloatArray, limit: float | None) -> Iterator[Finding]:
    if limit is None:
        return
    for index in np.argwhere(highest > limit):
        over = 100.0 * (float(highest[tuple(index)]) / limit - 1.0)
        reach = f"may reach {over:.2g} % above" if math.isfinite(over) else "cannot be shown to stay below"
        yield Finding(
            "above_label",
            "stop",
            f"The rate {reach} the label's highest rate, with the uncertainty in view.",
            "Take a lower rate, or narrow the uncertainty by more catches.",
            tuple(int(k) for k in index),
        )
