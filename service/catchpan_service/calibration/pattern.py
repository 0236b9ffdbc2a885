"""The pan test: weighed pans across a pass become the pattern that one pass lays, and its measures."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from catchpan_service.calibration.errors import CalibrationError

FloatArray = NDArray[np.float64]

FEWEST_PANS = 3
"""One pan shows no width and two show no middle."""

CLOSEST, FURTHEST = 1e-4, 1e5
"""[m], between neighbouring pans, and from the middle of the pass."""

LIGHTEST, HEAVIEST = 1e-9, 1e9
"""[kg], what a row of pans holds at least, and a pan at most."""

THROW_SHARE = 0.05
"""Share of the largest pan below which material no longer counts as thrown (common practice)."""

HALF_RATE_SHARE = 0.5
"""Half-rate rule: the effective width ends where the catch is half the centre average (Ohio State Univ.
Extension, Bulletin 817-00, ohioline.osu.edu/b817/b817_13.html)."""


@dataclass(frozen=True)
class Pattern:
    """Mass per area that one pass lays across the ground, straight between pans and nothing beyond them.

    Attributes
    ----------
    position : FloatArray
        (n,) [m], ascending, positive to the right of the driver, 0 the middle of the pass.
    rate : FloatArray
        (n,) [kg/m2], mean over the rows, for one pass.
    noise : float or None
        Pooled relative standard deviation of a pan from row to row, after the rows are brought to one level:
        a pan's deviation over its rate, if pans scatter in proportion to it. None with one row.
    rows : int
        Rows of pans that were weighed.
    row_rates : FloatArray
        (rows, n) [kg/m2], each row by itself, turned to the driver's view and filled.
    filled : tuple of (int, int)
        Row and pan, from 0 and as they were given, of each missing pan that was filled from its neighbours.
    """

    position: FloatArray
    rate: FloatArray
    noise: float | None
    rows: int
    row_rates: FloatArray
    filled: tuple[tuple[int, int], ...] = ()

    @property
    def row_levels(self) -> FloatArray:
        """Return (rows,), each row's mass per length over the mean of all rows."""
        levels = np.trapezoid(self.row_rates, self.position, axis=1)
        return np.asarray(levels / levels.mean(), dtype=np.float64)

    @property
    def noise_freedom(self) -> float:
        """Effective degrees of freedom of the noise, whose squares the fullest pans make up (Satterthwaite)."""
        square = self.rate**2
        return float(max((self.rows - 1) * (square.sum() ** 2 / (square**2).sum()) - len(self.filled), 1.0))


@dataclass(frozen=True)
class Shape:
    """Measures of a pattern; lengths to the left count positive leftwards.

    Attributes
    ----------
    mass_per_length : float
        [kg/m], what one pass lays for each length driven.
    left_share : float
        Share of it that lands left of the middle.
    centre_offset : float
        [m], centroid, positive to the right.
    centre_rate : float
        [kg/m2], mean of the pans about the middle.
    half_rate_left, half_rate_right, half_rate_width : float or None
        [m], from the middle to the outermost crossings of half the centre rate, and their sum; None where the
        middle is empty.
    throw_left, throw_right : float
        [m], from the middle to the outermost crossings of 5 % of the largest pan.
    """

    mass_per_length: float
    left_share: float
    centre_offset: float
    centre_rate: float
    half_rate_left: float | None
    half_rate_right: float | None
    half_rate_width: float | None
    throw_left: float
    throw_right: float


def pattern(
    *,
    positions: FloatArray,
    masses: FloatArray,
    passes: Sequence[int],
    headings: Sequence[str],
    pan_area: float,
    pan_tare: float = 0.0,
) -> Pattern:
    """Turn weighed rows of pans into the pattern of one pass.

    A pan that is missing inside the row is filled straight between its neighbours. All rows count alike.

    Parameters
    ----------
    positions : FloatArray
        (n,) [m], ascending, positive to the right of the driver.
    masses : FloatArray
        (rows, n) [kg], with the pans where `pan_tare` is given; NaN for a pan that is not there.
    passes : sequence of int
        (rows,), how often each row was driven over before it was weighed.
    headings : sequence of str
        (rows,), ``same``, or ``opposite`` for a row that was driven the other way and is mirrored.
    pan_area : float
        [m2], opening of one pan.
    pan_tare : float
        [kg], one empty pan.

    Raises
    ------
    CalibrationError
        For values that describe no row of pans; `where` follows ``positions`` and ``rows``.

    Examples
    --------
    >>> measured = pattern(
    ...     positions=np.array([-1.0, 0.0, 1.0]), masses=np.array([[0.0, 0.012, 0.0]]),
    ...     passes=[3], headings=["same"], pan_area=0.1,
    ... )
    >>> float(round(measured.rate[1], 9))
    0.04
    """
    positions, masses = np.asarray(positions, dtype=np.float64), np.asarray(masses, dtype=np.float64)
    _check_positions(positions)
    _check_rows(positions, masses, passes, headings)
    _check_pan(pan_area, pan_tare)
    _check_masses(masses, pan_tare)
    rates = _filled(positions, masses - pan_tare) / (pan_area * np.asarray(passes, dtype=np.float64)[:, None])
    for row in np.flatnonzero([heading == "opposite" for heading in headings]):
        rates[row] = rates[row, ::-1]
    filled = tuple((int(row), int(pan)) for row, pan in np.argwhere(np.isnan(masses)))
    noise = _noise(positions, rates, len(filled))
    return Pattern(positions, rates.mean(axis=0), noise, len(rates), rates, filled)


def shape(pattern: Pattern) -> Shape:
    """Measure a pattern: exact integrals and crossings of its straight pieces.

    The pans about the middle are the pan at the middle and its two neighbours, or, where the middle falls
    between two pans, those two. A pan counts as at the middle within a tenth of the gap to its nearer
    neighbour.
    """
    x, y = pattern.position, pattern.rate
    knots = np.union1d(x, 0.0)
    rates = np.interp(knots, x, y)
    gaps, left, right = np.diff(knots), rates[:-1], rates[1:]
    pieces = gaps * (left + right) / 2
    moments = gaps * (knots[:-1] * (2 * left + right) + knots[1:] * (left + 2 * right)) / 6
    total = float(pieces.sum())
    centre = float(y[_middle_pans(x)].mean())
    half = _reach(pattern, HALF_RATE_SHARE * centre) if centre > 0 else (None, None)
    throw = _reach(pattern, THROW_SHARE * float(y.max()))
    return Shape(
        total,
        float(pieces[knots[1:] <= 0].sum()) / total,
        float(moments.sum()) / total,
        centre,
        half[0],
        half[1],
        None if half[0] is None or half[1] is None else half[0] + half[1],
        throw[0],
        throw[1],
    )


def _middle_pans(x: FloatArray) -> slice:
    """Return the pans about the middle of the pass."""
    nearest = int(np.argmin(np.abs(x)))
    gap = np.diff(x)[max(nearest - 1, 0) : nearest + 1].min()
    if abs(x[nearest]) <= gap / 10:
        return slice(max(nearest - 1, 0), nearest + 2)
    right = int(np.searchsorted(x, 0.0))
    return slice(max(right - 1, 0), right + 1)


def _reach(pattern: Pattern, level: float) -> tuple[float, float]:
    """Return how far the pattern keeps to a level, leftwards and rightwards of the middle."""
    x, y = pattern.position, pattern.rate
    return _crossing(-x[::-1], y[::-1], level), _crossing(x, y, level)


def _crossing(x: FloatArray, y: FloatArray, level: float) -> float:
    """Return the rightmost position at which the pattern reaches a level."""
    last = int(np.flatnonzero(y >= level)[-1])
    if last == len(y) - 1:
        return float(x[-1])
    return float(x[last] + (y[last] - level) / (y[last] - y[last + 1]) * (x[last + 1] - x[last]))


def _filled(positions: FloatArray, masses: FloatArray) -> FloatArray:
    """Return the rows with each missing pan put straight between its neighbours."""
    rows = [np.interp(positions, positions[there], row[there]) for row in masses for there in [~np.isnan(row)]]
    return np.array(rows)


def _noise(positions: FloatArray, rates: FloatArray, filled: int) -> float | None:
    """Return the pooled relative deviation of a pan between rows.

    The rows' levels are taken off first, as they change no evenness. Of independent relative errors e, levelling
    leaves ``e_i - sum_j p_j e_j`` with p a pan's share of the row's mass, so that the squares sum up to
    ``(rows - 1) noise^2 sum_i f_i^2 (1 - 2 p_i + sum_j p_j^2)``, less by what filled pans do not tell.
    """
    rows, pans = rates.shape
    told = 1 - filled / ((rows - 1) * (pans - 1)) if rows > 1 else 0.0
    if told <= 0:
        return None
    levels = np.trapezoid(rates, positions, axis=1)
    level = rates * (levels.mean() / levels)[:, None]
    mean = level.mean(axis=0)
    share = mean * trapezoid_weights(positions) / levels.mean()
    left = (mean**2 * (1 - 2 * share + (share**2).sum())).sum()
    return float(np.sqrt(((level - mean) ** 2).sum() / ((rows - 1) * told * left))) if left > 0 else None


def trapezoid_weights(x: FloatArray) -> FloatArray:
    """Return (n,) [m], what each pan counts for in the row's integral."""
    gaps = np.diff(x)
    return np.asarray((np.append(gaps, 0.0) + np.append(0.0, gaps)) / 2, dtype=np.float64)


def _check_positions(positions: FloatArray) -> None:
    where: tuple[str | int, ...] = ("positions",)
    if positions.ndim != 1 or len(positions) < FEWEST_PANS:
        message = f"A row needs {FEWEST_PANS} pans or more."
        raise CalibrationError("too_few_pans", message, where=where, given=positions.size, allowed="3 pans or more")
    for pan in np.flatnonzero(~(np.abs(positions) <= FURTHEST)):
        message, allowed = f"The position of pan {pan + 1} is not a number.", f"a finite number, up to {FURTHEST:g} m"
        _refuse("not_finite", message, (*where, int(pan)), positions[pan], allowed)
    for pan in np.flatnonzero(np.diff(positions) < CLOSEST) + 1:
        message = f"Pan {pan + 1} does not lie to the right of pan {pan}."
        _refuse("not_ascending", message, (*where, int(pan)), positions[pan], "ascending positions, each once")
    if positions[0] > 0 or positions[-1] < 0:
        message = "The row of pans does not reach the middle of the pass, which is position 0."
        _refuse("middle_not_covered", message, where, positions[0], "pans on both sides of position 0")


def _check_rows(positions: FloatArray, masses: FloatArray, passes: Sequence[int], headings: Sequence[str]) -> None:
    if masses.ndim != 2 or masses.shape[1] != len(positions) or not len(masses):
        allowed = f"rows of {len(positions)} masses, one for each position"
        message = "Each row needs one mass for each pan position."
        raise CalibrationError("wrong_shape", message, where=("rows",), given=masses.shape, allowed=allowed)
    if len(passes) != len(masses) or len(headings) != len(masses):
        given, allowed = (len(passes), len(headings)), f"{len(masses)} of each"
        message = "Each row needs its count of passes and its heading."
        raise CalibrationError("wrong_shape", message, where=("rows",), given=given, allowed=allowed)
    symmetric = np.allclose(positions, -positions[::-1], rtol=0, atol=1e-6 * np.ptp(positions))
    for row, (count, heading) in enumerate(zip(passes, headings, strict=True)):
        if count < 1 or count != int(count):
            message = f"Row {row + 1} was not driven a whole number of times."
            _refuse("bad_passes", message, ("rows", row, "passes"), count, "a whole number from 1")
        if heading not in {"same", "opposite"}:
            message = f"The heading of row {row + 1} is not known."
            _refuse("bad_heading", message, ("rows", row, "heading"), heading, "same or opposite")
        if heading == "opposite" and not symmetric:
            message = f"Row {row + 1} was driven the other way, but the pans do not lie alike left and right."
            allowed = "positions that mirror each other about 0, or rows driven one way"
            _refuse("cannot_mirror", message, ("rows", row, "heading"), heading, allowed)


def _check_pan(pan_area: float, pan_tare: float) -> None:
    if not LIGHTEST <= pan_area <= HEAVIEST:
        _refuse("bad_pan_area", "The area of a pan must be above zero.", ("pan_area",), pan_area, "above 0")
    if not 0 <= pan_tare <= HEAVIEST:
        _refuse("bad_pan_tare", "The mass of an empty pan is below zero.", ("pan_tare",), pan_tare, "0 or above")


def _check_masses(masses: FloatArray, pan_tare: float) -> None:
    for row, pan in np.argwhere(np.abs(masses) > HEAVIEST):
        message, allowed = (
            f"The mass of pan {pan + 1} in row {row + 1} is not a number.",
            "a finite number, up to 1e9 kg",
        )
        _refuse("not_finite", message, ("rows", int(row), "masses", int(pan)), masses[row, pan], allowed)
    for row, pan in np.argwhere(masses < pan_tare):
        message = f"Pan {pan + 1} in row {row + 1} weighs less than " + ("an empty pan." if pan_tare else "nothing.")
        where = ("rows", int(row), "masses", int(pan))
        _refuse("mass_below_tare", message, where, masses[row, pan], "the mass of an empty pan or above")
    for row, pan in np.argwhere(np.isnan(masses[:, [0, -1]])):
        last = int(pan) * (masses.shape[1] - 1)
        message = f"Pan {last + 1} in row {row + 1} is missing, and an outermost pan cannot be filled."
        _refuse("end_pan_missing", message, ("rows", int(row), "masses", last), None, "a mass for both end pans")
    for row in np.flatnonzero(np.nan_to_num(masses - pan_tare).sum(axis=1) < LIGHTEST):
        message = f"All pans of row {row + 1} are empty."
        _refuse("row_empty", message, ("rows", int(row)), 0.0, "some material in some pan")


def _refuse(
    code: str, message: str, where: tuple[str | int, ...], given: object, allowed: str = "a finite number"
) -> None:
    plain = given.item() if isinstance(given, np.generic) else given
    raise CalibrationError(code, message, where=where, given=plain, allowed=allowed)
