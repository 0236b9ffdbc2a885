"""A flow curve that came from outside: checked before anything is computed with it."""

import math
from collections.abc import Iterator

import numpy as np

from .curve import ALGORITHMS, FlowCurve
from .errors import CalibrationError

_SHARES = ("opening_uncertainty", "shared_uncertainty")


def checked(curve: FlowCurve) -> FlowCurve:
    """The same curve, if a fit could have made it.

    Raises
    ------
    CalibrationError
        For the first member that no fit could have made.
    """
    for name, given, allowed in _faults(curve):
        raise CalibrationError(
            "bad_curve", f"the curve's {name} cannot be used", where=("curve", name), given=given, allowed=allowed
        )
    return curve


def _faults(curve: FlowCurve) -> Iterator[tuple[str, object, str]]:
    if curve.algorithm.split("/")[0] != curve.form:
        yield "algorithm", curve.algorithm, ALGORITHMS[curve.form]
    low, high = curve.opening_range
    if not 0 < low < high <= 1:
        yield "smallest_opening", low, "above 0 and below largest_opening, which is at most 1"
    yield from _knot_faults(curve)
    yield from _monotone_faults(curve) if curve.form == "monotone" else _law_faults(curve)
    if not curve.degrees_of_freedom > 0:
        yield "degrees_of_freedom", curve.degrees_of_freedom, "above 0, or null for infinite"
    for name in _SHARES:
        if not 0 <= getattr(curve, name) < 1:
            yield name, getattr(curve, name), "from 0 to below 1"
    if curve.left_share is not None and not 0 < curve.left_share < 1:
        yield "left_share", curve.left_share, "between 0 and 1"
    for name in ("smallest_steady_opening", "largest_unsteady_opening"):
        opening = getattr(curve, name)
        if opening is not None and not 0 <= opening <= 1:
            yield name, opening, "from 0 to 1"


def _knot_faults(curve: FlowCurve) -> Iterator[tuple[str, object, str]]:
    knots = np.array(curve.knot_opening)
    if len(knots) < 2 or not (np.diff(knots) > 1e-9).all() or knots[0] <= 0 or knots[-1] > 1:
        yield "knot_openings", list(knots), "two or more ascending openings above 0, at most 1"


def _law_faults(curve: FlowCurve) -> Iterator[tuple[str, object, str]]:
    scale, dead, exponent = curve.flow_scale, curve.dead_opening, curve.exponent
    if scale is None or not 0 < scale < math.inf:
        yield "flow_scale", scale, "a flow above 0"
    if dead is None or not 0 <= dead < curve.knot_opening[0]:
        yield "dead_opening", dead, "from 0 to below the smallest used opening"
    if exponent is None or not 0.2 <= exponent <= 6:
        yield "exponent", exponent, "from 0.2 to 6"
    if curve.knot_flow or curve.knot_uncertainty:
        yield "knot_flows", list(curve.knot_flow), "null for this form"
    covariance = [list(row) for row in curve.covariance]
    if [len(row) for row in covariance] != [3, 3, 3] or not _is_covariance(np.array(covariance)):
        yield "covariance", covariance, "3 by 3, symmetric, of (ln flow_scale, dead_opening, exponent)"


def _is_covariance(matrix: "np.ndarray[tuple[int, ...], np.dtype[np.float64]]") -> bool:
    if not np.isfinite(matrix).all() or np.abs(matrix).max() > 1e12 or not np.allclose(matrix, matrix.T):
        return False
    return bool(np.linalg.eigvalsh(matrix).min() >= -1e-6 * max(np.abs(matrix).max(), 1e-300))


def _monotone_faults(curve: FlowCurve) -> Iterator[tuple[str, object, str]]:
    flows, uncertainties = np.array(curve.knot_flow), np.array(curve.knot_uncertainty)
    for name in ("flow_scale", "dead_opening", "exponent"):
        if getattr(curve, name) is not None:
            yield name, getattr(curve, name), "null for the form monotone"
    if len(flows) != len(curve.knot_opening) or not (flows > 0).all() or not (np.diff(flows) > 0).all():
        yield "knot_flows", list(flows), "rising flows above 0, one for each knot opening"
    if len(uncertainties) != len(flows) or not (uncertainties >= 0).all():
        yield "knot_uncertainties", list(uncertainties), "0 or above, one for each knot opening"
    if curve.covariance:
        yield "covariance", [list(row) for row in curve.covariance], "empty for the form monotone"
