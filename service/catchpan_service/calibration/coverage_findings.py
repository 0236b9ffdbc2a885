"""What a person should look at in a coverage map."""

from collections.abc import Iterator

from .driven import Plan
from .edge_limits import ROUNDING
from .findings import Finding

UNEVEN_SHARE = 0.10
"""Share of the ground outside a limit from which it is looked at (a judgement)."""

COARSE = 10
"""Cells in a pass spacing, at least: larger ones hide stripes (a judgement)."""


def coverage_findings(
    *,
    plan: Plan,
    rings: int,
    cell: float,
    off: tuple[float, float, bool],
    under: float,
    over: float,
    label: float | None,
) -> tuple[Finding, ...]:
    """Return all findings of one map.

    Parameters
    ----------
    plan : Plan
    rings : int
        Edge passes that were driven.
    cell : float
        [m].
    off : (float, float, bool)
        Share of the material off target, its limit, and whether any is.
    under, over : float
        Shares of the ground below and above the limits.
    label : float or None
        Heaviest rate over the label's highest.
    """
    return (
        *_rings(plan, rings),
        *_off_target(*off),
        *_dose(under, over),
        *_coarse(plan, cell),
        *_above_label(label),
    )


def _rings(plan: Plan, rings: int) -> Iterator[Finding]:
    if plan.edge_passes and not rings:
        what = "The ground is too narrow for an edge pass at this stand-off."
        yield Finding("edge_pass_does_not_fit", "look", what, "Use a pattern that throws less far.", ("stand_off",))


def _off_target(share: float, limit: float, some: bool) -> Iterator[Finding]:
    if share > limit + ROUNDING:
        what = f"{share:.1%} of the material lands off target; the limit is {limit:.1%}."
        advice = "Add an edge pass, drive further from the edge, or shield that side."
        yield Finding("off_target", "look", what, advice)
    if some:
        what = "Some material lands outside the outline or in a hole."
        advice = (
            "Sweep it off paving, and keep it from water and beds;"
            " the product label and local rules say how far to stay off."
        )
        yield Finding("keep_distance", "note", what, advice)


def _dose(under: float, over: float) -> Iterator[Finding]:
    if under > UNEVEN_SHARE:
        what = f"{under:.0%} of the ground gets less than the lowest rate that is wanted."
        advice = "Look at the histogram and the grid: another heading, more headlands or a narrower spacing may help."
        yield Finding("under_dosed", "look", what, advice)
    if over > UNEVEN_SHARE:
        what = f"{over:.0%} of the ground gets more than the highest rate that is wanted."
        yield Finding("over_dosed", "look", what, "Another heading, fewer headlands or a wider spacing may help.")


def _coarse(plan: Plan, cell: float) -> Iterator[Finding]:
    if cell * COARSE > plan.spacing * (1 + ROUNDING):
        what = f"Fewer than {COARSE} cells lie in a pass spacing: stripes are hidden, and CV is too low."
        yield Finding("coarse_cell", "note", what, "Take a smaller cell, or a part of the ground.", ("cell",))


def _above_label(label: float | None) -> Iterator[Finding]:
    if label is not None and label > 1 + ROUNDING:
        what = f"The heaviest cell gets {label:.1%} of the label's highest rate."
        advice = "Lower the rate, or change the passes where they cross."
        yield Finding("above_label", "stop", what, advice)
