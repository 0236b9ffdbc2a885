"""From a fleet's own catch sets to what is known beforehand of the next material's shape of curve."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .catches import FloatArray
from .errors import CalibrationError
from .law import DEFAULT_PRIOR, Prior

FEWEST_MATERIALS = 3
"""Materials from which a fleet says anything of the next one."""

ASSUMED_MATERIALS = 2.0
"""Materials that the assumption counts for: few of a fleet's own are drawn towards it."""

STEPS = 80
"""Steps of the estimate; further ones move nothing that matters."""

FURTHEST = 1000.0
"""No dead opening or exponent is further from 0."""

LEAST_SIZE, LARGEST_SIZE = 1e-6, 1e6
"""No granule is smaller or larger, in any unit."""

SAME_SIZES = (0.2, 5.0)
"""A size may differ from the fleet's mean by these factors; further it says nothing of the dead opening."""


@dataclass(frozen=True)
class FleetPrior:
    """What a fleet's curves say of the next one; see :func:`fleet_prior`.

    Attributes
    ----------
    prior : Prior
    materials : tuple of str
        Those it rests on.
    scaled_by_size : bool
        Whether the dead opening was taken to grow with the granules.
    size_gain : float or None
        By how much scaling raised the leave-one-out log score; None where sizes are not all known.
    """

    prior: Prior
    materials: tuple[str, ...]
    scaled_by_size: bool
    size_gain: float | None


def fleet_prior(
    *,
    material: Sequence[str],
    dead_opening: Sequence[float],
    exponent: Sequence[float],
    covariance: Sequence[Sequence[Sequence[float]]],
    size: Sequence[float | None] | None = None,
    without: str | None = None,
    new_size: float | None = None,
) -> FleetPrior:
    """Estimate mean and spread of dead opening and exponent over a fleet's materials.

    Parameters
    ----------
    material : sequence of str, shape (n,)
        Material of each catch set; several sets of one count as one.
    dead_opening, exponent : sequence of float, shape (n,)
        As fitted without any prior [share of range], [1].
    covariance : sequence, shape (n, 2, 2)
        Of (dead opening, exponent) of each fit.
    size : sequence of float or None, optional
        Granule size of each set, in any one unit.
    without : str, optional
        Material to leave out: the one that the prior is for.
    new_size : float, optional
        Granule size of the material that the prior is for.

    Returns
    -------
    FleetPrior

    Raises
    ------
    CalibrationError
        Fewer than three materials, or a value that cannot be.

    Notes
    -----
    Each fit is y ~ N(theta, S), each material's theta ~ N(mu, T). mu and T are found by expectation and maximisation
    (Dempster, Laird and Rubin 1977; from memory), the usual assumption counting as two more materials. The prior is
    that of a new material, T (1 + 1/n), about mu. Scaling by size takes the dead opening in proportion to the
    granules, as the empty edge of an opening is in the Beverloo law; it is used where every size is known and it
    foretells each material, left out in turn, better than no scaling does.
    """
    names, y, s = _materials(material, dead_opening, exponent, covariance, without)
    sizes = _sizes(material, size, names)
    gain = None
    if sizes is not None:
        gain = _score(y, s, sizes / sizes.mean()) - _score(y, s, np.ones(len(names)))
    scaled = gain is not None and gain > 0.0 and new_size is not None
    relative = sizes / sizes.mean() if scaled and sizes is not None else np.ones(len(names))
    keep = np.ones((1, len(names)), dtype=bool)
    mean, spread = _estimate(*_unscaled(y, s, relative), keep)
    part = 1.0
    if scaled and new_size is not None and sizes is not None:
        part = new_size / float(sizes.mean())
        if not SAME_SIZES[0] <= part <= SAME_SIZES[1]:
            allowed = "a size within a factor of 5 of the fleet's"
            message = "the granules are too unlike the fleet's"
            raise CalibrationError("bad_size", message, where=("new_size",), given=new_size, allowed=allowed)
    return FleetPrior(_prior(mean[0], spread[0], part), tuple(names), scaled, gain)


def _prior(mean: FloatArray, spread: FloatArray, part: float) -> Prior:
    u_dead, u_exponent = np.sqrt(np.diag(spread)).tolist()
    correlation = float(np.clip(spread[0, 1] / (u_dead * u_exponent), -0.99, 0.99))
    return Prior(float(mean[1]), u_exponent, float(mean[0]) * part, u_dead * part, correlation)


def _materials(
    material: Sequence[str],
    dead_opening: Sequence[float],
    exponent: Sequence[float],
    covariance: Sequence[Sequence[Sequence[float]]],
    without: str | None,
) -> tuple[list[str], FloatArray, FloatArray]:
    """Names, (m, 2) parameters and (m, 2, 2) covariances of the materials, several sets of one taken together."""
    columns = [np.asarray(column, dtype=np.float64) for column in (dead_opening, exponent)]
    s = np.array(covariance, dtype=np.float64)
    y = np.stack(columns, axis=-1) if columns[0].shape == columns[1].shape else np.empty(0)
    if y.shape != (len(material), 2) or s.shape != (len(material), 2, 2):
        allowed = "as many parameters and covariances as materials"
        raise CalibrationError("lengths_differ", "the columns differ", where=("sets",), allowed=allowed)
    for index, (one, own) in enumerate(zip(y, s, strict=True)):
        if not ((np.abs(one) <= FURTHEST).all() and np.isfinite(own).all() and np.linalg.eigvalsh(own).min() >= 0.0):
            message, allowed = f"set {index + 1} has no usable curve", "a curve with a finite covariance"
            raise CalibrationError("bad_set", message, where=("sets", index), given=one.tolist(), allowed=allowed)
    names = sorted({name for name in material if name != without})
    if len(names) < FEWEST_MATERIALS:
        allowed = f"{FEWEST_MATERIALS} materials or more, beside the one left out"
        message = f"{len(names)} materials say too little of the next one"
        raise CalibrationError("too_few_materials", message, where=("sets",), given=len(names), allowed=allowed)
    floor = np.diag([1e-4, 1e-3]) ** 2
    pooled = [_together(y[rows], s[rows] + floor) for rows in (_rows(material, name) for name in names)]
    return names, np.array([one for one, _ in pooled]), np.array([own for _, own in pooled])


def _rows(material: Sequence[str], name: str) -> NDArray[np.intp]:
    return np.flatnonzero([one == name for one in material])


def _together(y: FloatArray, s: FloatArray) -> tuple[FloatArray, FloatArray]:
    weights = np.linalg.inv(s)
    own = np.linalg.inv(weights.sum(axis=0))
    return own @ np.einsum("nij,nj->i", weights, y), own


def _sizes(material: Sequence[str], size: Sequence[float | None] | None, names: Sequence[str]) -> FloatArray | None:
    """Mean size of each material; None where one is not known."""
    if size is None:
        return None
    for index, one in enumerate(size):
        if one is not None and not LEAST_SIZE <= one <= LARGEST_SIZE:
            allowed = f"a size above 0, from {LEAST_SIZE:g} to {LARGEST_SIZE:g}"
            message, where = f"size is {one!r}", ("sets", index, "size")
            raise CalibrationError("bad_size", message, where=where, given=one, allowed=allowed)
    if len(size) != len(material):
        allowed = f"{len(material)} sizes, one for each set"
        message = "each set needs its size, or none"
        raise CalibrationError("lengths_differ", message, where=("sets",), given=len(size), allowed=allowed)
    known = {
        name: [s for one, s in zip(material, size, strict=True) if one == name and s is not None] for name in names
    }
    if not all(known.values()):
        return None
    return np.array([np.mean(known[name]) for name in names])


def _unscaled(y: FloatArray, s: FloatArray, relative: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Parameters and covariances with the dead opening taken to granules of the mean size."""
    factor = np.stack([1.0 / relative, np.ones_like(relative)], axis=1)
    return y * factor, s * factor[:, :, None] * factor[:, None, :]


def _estimate(y: FloatArray, s: FloatArray, keep: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
    """Mean and spread of a new material, (k, 2) and (k, 2, 2), from the materials that each row of `keep` keeps."""
    centre = np.array([DEFAULT_PRIOR.dead_opening, DEFAULT_PRIOR.exponent])
    width = np.diag([DEFAULT_PRIOR.dead_opening_uncertainty, DEFAULT_PRIOR.exponent_uncertainty]) ** 2
    weight = keep.astype(np.float64)
    total = weight.sum(axis=1) + ASSUMED_MATERIALS
    mean = np.broadcast_to(centre, (len(keep), 2))
    spread = np.broadcast_to(width, (len(keep), 2, 2))
    for _ in range(STEPS):
        gain = spread[:, None] @ _inverse(spread[:, None] + s)
        theta = mean[:, None] + np.einsum("knij,knj->kni", gain, y - mean[:, None])
        left = spread[:, None] - gain @ spread[:, None]
        mean = (np.einsum("kn,kni->ki", weight, theta) + ASSUMED_MATERIALS * centre) / total[:, None]
        off = theta - mean[:, None]
        away = centre - mean
        squares = np.einsum("kn,knij->kij", weight, off[..., :, None] * off[..., None, :] + left)
        assumed = ASSUMED_MATERIALS * (width + away[:, :, None] * away[:, None, :])
        spread = (squares + assumed) / total[:, None, None]
    return mean, spread * (1.0 + 1.0 / total)[:, None, None]


def _inverse(matrix: FloatArray) -> FloatArray:
    """Inverse of many symmetric 2 by 2 matrices."""
    first, cross, second = matrix[..., 0, 0], matrix[..., 0, 1], matrix[..., 1, 1]
    turned = np.stack([np.stack([second, -cross], axis=-1), np.stack([-cross, first], axis=-1)], axis=-2)
    return np.asarray(turned / (first * second - cross * cross)[..., None, None])


def _score(y: FloatArray, s: FloatArray, relative: FloatArray) -> float:
    """Log density of each material as foretold by the others, summed."""
    mean, spread = _estimate(*_unscaled(y, s, relative), ~np.eye(len(y), dtype=bool))
    factor = np.stack([relative, np.ones_like(relative)], axis=1)
    off = y - mean * factor
    total = spread * factor[:, :, None] * factor[:, None, :] + s
    distance = np.einsum("ni,nij,nj->n", off, np.linalg.inv(total), off)
    return float(-0.5 * (distance + np.log(np.linalg.det(total)) + 2.0 * np.log(2.0 * np.pi)).sum())
