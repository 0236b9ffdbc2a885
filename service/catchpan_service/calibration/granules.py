"""Sieve analysis: how large the granules are, and how uniform."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from .catches import FloatArray
from .errors import CalibrationError
from .findings import Finding

ADD_UP = 0.005
"""Shares may miss 100 % by this much: rounded to tenths of a per cent, ten sieves can miss it so (common practice)."""

INTERPOLATIONS = ("linear", "logarithmic")

SGN_SHARE, COARSE_SHARE, FINE_SHARE = 0.50, 0.10, 0.95
"""Shares retained that define the size guide number and the two sizes of the uniformity index."""


@dataclass(frozen=True)
class Granules:
    """Sizes of granules; NaN where the sieves do not reach.

    Attributes
    ----------
    d10, d50, d95 : FloatArray
        Sizes that 10, 50 and 95 % by mass are coarser than [m].
    size_guide_number : FloatArray
        100 times d50 in millimetres.
    uniformity_index : FloatArray
        100 d95/d10: 100 would be granules of one size.
    findings : tuple of Finding
    """

    d10: FloatArray
    d50: FloatArray
    d95: FloatArray
    size_guide_number: FloatArray
    uniformity_index: FloatArray
    findings: tuple[Finding, ...]


def granules(*, openings: ArrayLike, shares: ArrayLike, interpolation: str = "linear") -> Granules:
    """Find the size guide number and the uniformity index.

    SGN is 100 times the opening in millimetres that half of the mass is coarser than; UI is 100 times the opening
    that retains 95 % over the one that retains 10 % (Canadian Fertilizer Institute's SGN system; from memory).

    Parameters
    ----------
    openings : array_like, shape (n,)
        Openings of the sieves from the coarsest to the finest [m].
    shares : array_like, shape (..., n + 1)
        Share of the mass that each sieve retains, and behind the last sieve what falls through.
    interpolation : str
        Between sieves: ``linear`` in the opening, or ``logarithmic``.

    Returns
    -------
    Granules
        Of the shape of the leading axes of ``shares``.

    Raises
    ------
    CalibrationError
        Sieves that do not descend, shares that are negative or do not add up to 1.

    Examples
    --------
    >>> sizes = granules(openings=[0.00335, 0.00236, 0.0014], shares=[0.10, 0.40, 0.45, 0.05])
    >>> round(float(sizes.size_guide_number)), round(float(sizes.uniformity_index))
    (236, 42)
    """
    sieves, parts = _checked(openings, shares)
    if interpolation not in INTERPOLATIONS:
        allowed = " or ".join(INTERPOLATIONS)
        message = f"between sieves one interpolates {allowed}"
        raise CalibrationError("bad_interpolation", message, where=("interpolation",), allowed=allowed)
    scale = sieves if interpolation == "linear" else np.log(sieves)
    retained = np.cumsum(parts[..., :-1], axis=-1)
    sizes = [_size(scale, retained, share) for share in (COARSE_SHARE, SGN_SHARE, FINE_SHARE)]
    d10, d50, d95 = sizes if interpolation == "linear" else [np.exp(size) for size in sizes]
    found = tuple(_unreached(d10, d50, d95))
    return Granules(d10, d50, d95, 1e5 * d50, 100 * d95 / d10, found)


def _checked(openings: ArrayLike, shares: ArrayLike) -> tuple[FloatArray, FloatArray]:
    sieves, parts = np.asarray(openings, dtype=np.float64), np.asarray(shares, dtype=np.float64)
    if sieves.ndim != 1 or len(sieves) < 2:
        _refuse("too_few_sieves", "an analysis needs two sieves or more", ("openings",), "two or more openings")
    for index, size in enumerate(sieves.tolist()):
        if not 0 < size < np.inf or (index and not size < sieves[index - 1]):
            message = f"sieve {index + 1} is not finer than the one above it"
            _refuse("sieves_out_of_order", message, ("openings", index), "openings above 0, the coarsest first")
    if parts.ndim < 1 or parts.shape[-1] != len(sieves) + 1:
        message = f"{len(sieves)} sieves need {len(sieves) + 1} shares: one each, and what falls through the last"
        _refuse("wrong_length", message, ("shares",), f"{len(sieves) + 1} shares")
    for wrong in np.argwhere(~((parts >= 0) & (parts <= 1 + ADD_UP))).tolist():
        place = tuple(int(one) for one in wrong)
        _refuse("bad_share", f"share {place[-1] + 1} is no share", ("shares", *place), "from 0 to 100 %")
    if (np.abs(parts.sum(axis=-1) - 1) > ADD_UP).any():
        _refuse("shares_do_not_add_up", "the shares do not add up to 100 %", ("shares",), "100 %, give or take 0.5 %")
    return sieves, parts


def _size(scale: FloatArray, retained: FloatArray, share: float) -> FloatArray:
    """Size that a share is coarser than, on the scale of the sieves; NaN beyond them."""
    flat = retained.reshape(-1, retained.shape[-1])
    found = [_crossing(scale, row, share) for row in flat]
    return np.array(found).reshape(retained.shape[:-1])


def _crossing(scale: FloatArray, retained: FloatArray, share: float) -> float:
    below = int(np.searchsorted(retained, share - 1e-12))
    if below == len(retained) or (below == 0 and retained[0] > share + 1e-12):
        return float("nan")
    if below == 0 or retained[below] <= share:
        return float(scale[below])
    part = (share - retained[below - 1]) / (retained[below] - retained[below - 1])
    return float(scale[below - 1] + part * (scale[below] - scale[below - 1]))


def _unreached(d10: FloatArray, d50: FloatArray, d95: FloatArray) -> list[Finding]:
    found = []
    for sizes, words, end in ((d10, "10 %", "coarser"), (d50, "half", "further"), (d95, "95 %", "finer")):
        if np.isnan(sizes).any():
            what = f"The sieves do not tell the size that {words} of the mass is coarser than."
            found.append(Finding("sieves_too_few", "look", what, f"Add a {end} sieve.", ("openings",)))
    return found


def _refuse(code: str, message: str, where: tuple[str | int, ...], allowed: str) -> None:
    raise CalibrationError(code, message, where=where, allowed=allowed)
