"""The monotone form: pooled flows as knots, merged where they do not rise."""

import math
from dataclasses import dataclass

import numpy as np

from . import forms
from .catches import FloatArray, UncertaintyModel
from .errors import CalibrationError
from .pooling import Session


@dataclass(frozen=True, slots=True)
class Knots:
    """Knots of a monotone curve.

    Attributes
    ----------
    opening, flow, uncertainty : tuple of float
        [share of range], [kg/s], [kg/s]; openings and flows strictly rise.
    merged : tuple of tuple of float
        Openings that were merged into one knot, for each such knot.
    """

    opening: tuple[float, ...]
    flow: tuple[float, ...]
    uncertainty: tuple[float, ...]
    merged: tuple[tuple[float, ...], ...]

    def flow_at(self, openings: FloatArray) -> FloatArray:
        """Flows at openings [kg/s]; NaN outside the knots."""
        return forms.monotone(openings, *self._cubic())[0]

    def slope_at(self, openings: FloatArray) -> FloatArray:
        """Derivatives of the flow at openings [kg/s per range]; NaN outside the knots."""
        return forms.monotone(openings, *self._cubic())[1]

    def _cubic(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        knots, values = np.array(self.opening), np.array(self.flow)
        return knots, values, forms.knot_slopes(knots, values)


@dataclass(slots=True)
class _Block:
    weight: float
    opening: float
    flow: float
    members: tuple[float, ...]

    def joined(self, other: "_Block") -> "_Block":
        weight = self.weight + other.weight
        share = other.weight / weight
        return _Block(
            weight,
            self.opening + share * (other.opening - self.opening),
            self.flow + share * (other.flow - self.flow),
            self.members + other.members,
        )


def fit_knots(session: Session, *, weighting: str, model: UncertaintyModel, excess: float = 1.0) -> Knots:
    """Make knots of the pooled openings; neighbours whose flow does not rise are merged.

    Merging pools adjacent violators (Ayer et al., Ann. Math. Stat. 26 (1955) 641; from memory): the
    merged knot stands at the weighted mean opening and flow. Each knot's variance is that of its pooled
    flow plus (dq/dx)² u_x², with the slope of the cubic itself, times `excess`.

    Raises
    ------
    CalibrationError
        If fewer than two knots are left.
    """
    blocks: list[_Block] = []
    for pool in session.pools:
        weight = 1.0 if weighting == "equal" else pool.standard_deviation**-2
        blocks.append(_Block(weight, pool.opening, pool.flow, (pool.opening,)))
        while len(blocks) > 1 and blocks[-1].flow <= blocks[-2].flow:
            last = blocks.pop()
            blocks[-1] = blocks[-1].joined(last)
    if len(blocks) < 2:
        raise CalibrationError(
            "flow_does_not_rise",
            "the flow does not rise with the opening: nothing is left to draw a curve through",
            where=("catches",),
            allowed="catches whose flow rises with the opening",
        )
    opening, flow = tuple([block.opening for block in blocks]), tuple([block.flow for block in blocks])
    slopes = forms.knot_slopes(np.array(opening), np.array(flow)).tolist()
    stretch = math.sqrt(excess)
    own = {pool.opening: pool.standard_deviation for pool in session.pools}
    uncertainty = tuple(
        [
            stretch * math.hypot(sum([own[x] ** -2 for x in block.members]) ** -0.5, slope * model.opening_uncertainty)
            for block, slope in zip(blocks, slopes, strict=True)
        ]
    )
    merged = tuple([block.members for block in blocks if len(block.members) > 1])
    return Knots(opening, flow, uncertainty, merged)
