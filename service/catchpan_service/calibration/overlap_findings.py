"""What a person should look at in a pan test and its overlap."""

from collections.abc import Iterator, Mapping

import numpy as np

from catchpan_service.calibration.findings import Finding
from catchpan_service.calibration.pattern import THROW_SHARE, Pattern, Shape

END_PAN_STOP = 0.5
"""Share of the mean pan above which an end pan shows that much of the throw is missed (common practice)."""

LARGEST_SIDE_SHARE = 0.55
"""Share of the material on one side above which the pattern counts as skewed (common practice)."""

ROW_LEVEL_TOLERANCE = 0.10
"""Rows should agree within 10 % (turf slide set, slideplayer.com/slide/3861029)."""

ROW_NOISE_LIMIT = 0.20
"""Relative deviation of pans between rows above which the rows do not show one pattern (common practice)."""

FEWEST_PANS_INSIDE = 10
"""Pans inside the effective width (Southeast Farm Press, spinner-spreader article, page 2)."""


def overlap_findings(
    pattern: Pattern,
    measures: Shape,
    largest: Mapping[str, float | None],
    rate: float | None,
    label_highest_rate: float | None,
) -> tuple[Finding, ...]:
    """Return all findings of one pan test.

    Parameters
    ----------
    pattern : Pattern
    measures : Shape
    largest : mapping of str to float or None
        By way of driving, the largest relative rate at the recommended spacing; None without one.
    rate, label_highest_rate : float or None
        [kg/m2].
    """
    return (
        *_end_pans(pattern),
        *_skew(measures),
        *_rows(pattern),
        *_filled(pattern),
        *_pan_count(pattern, measures),
        *_spacings(largest),
        *_label(largest, rate, label_highest_rate),
    )


def _end_pans(pattern: Pattern) -> Iterator[Finding]:
    largest, mean = float(pattern.rate.max()), float(pattern.rate.mean())
    for pan in (0, len(pattern.rate) - 1):
        caught = float(pattern.rate[pan])
        if not caught:
            continue
        severity = "note" if caught < THROW_SHARE * largest else "look" if caught <= END_PAN_STOP * mean else "stop"
        share = f"{caught / largest:.0%}"
        what = f"End pan {pan + 1} holds {share} of the fullest pan: the row may end inside the throw."
        advice = "Lengthen the row until both end pans stay empty, and drive it again."
        yield Finding("end_pan_not_empty", severity, what, advice, ("positions", pan))


def _skew(measures: Shape) -> Iterator[Finding]:
    side, share = max([("left", measures.left_share), ("right", 1 - measures.left_share)], key=lambda pair: pair[1])
    if share > LARGEST_SIDE_SHARE:
        what = f"The pattern is heavy on the {side}: {share:.0%} of the material lands there."
        advice = "Check vanes, gates and the pattern adjustment, then test again; skew shows as stripes."
        yield Finding("pattern_skewed", "look", what, advice)


def _rows(pattern: Pattern) -> Iterator[Finding]:
    if pattern.rows == 1:
        advice = "Drive two more rows the same way, and weigh each by itself."
        yield Finding("one_row_only", "note", "One row alone does not show how far pans scatter.", advice, ("rows",))
        return
    off = pattern.row_levels - 1
    row = int(np.argmax(np.abs(off)))
    if abs(off[row]) > ROW_LEVEL_TOLERANCE:
        more = "more" if off[row] > 0 else "less"
        what = f"Row {row + 1} caught {abs(off[row]):.0%} {more} than the mean of the rows."
        advice = "Check its count of passes, the speed and the gate, and drive that row again."
        yield Finding("rows_disagree", "look", what, advice, ("rows", row))
    if pattern.noise is not None and pattern.noise > ROW_NOISE_LIMIT:
        what = f"From row to row a pan scatters by {pattern.noise:.0%}: the rows do not show one pattern."
        advice = "Check which way each row was driven and that pans did not shift, and drive another row."
        yield Finding("rows_disagree", "look", what, advice, ("rows",))


def _filled(pattern: Pattern) -> Iterator[Finding]:
    for row, pan in pattern.filled:
        what = f"Pan {pan + 1} of row {row + 1} is missing and was filled from its neighbours."
        advice = "Put the pan back and drive the row again if it lay where the pattern bends."
        yield Finding("missing_pan_filled", "note", what, advice, ("rows", row, "masses", pan))


def _pan_count(pattern: Pattern, measures: Shape) -> Iterator[Finding]:
    if measures.half_rate_left is None or measures.half_rate_right is None:
        what = "The pans about the middle are empty, so that there is no half-rate width."
        yield Finding("middle_empty", "look", what, "Check the pans' positions and the pattern adjustment.")
        return
    inside = (pattern.position >= -measures.half_rate_left) & (pattern.position <= measures.half_rate_right)
    if inside.sum() < FEWEST_PANS_INSIDE:
        what = f"Only {inside.sum()} pans lie inside the half-rate width; {FEWEST_PANS_INSIDE} show its shape."
        yield Finding("few_pans", "note", what, "Set the pans closer together for the next test.", ("positions",))


def _spacings(largest: Mapping[str, float | None]) -> Iterator[Finding]:
    for driving in (way for way, most in largest.items() if most is None):
        what = f"No pass spacing stays within the CV limit when driven {driving.replace('_', ' ')}."
        advice = "Adjust the pattern or the impeller speed, and test again."
        yield Finding("no_spacing_within_limit", "look", what, advice, ("by_driving", driving))


def _label(
    largest: Mapping[str, float | None], rate: float | None, label_highest_rate: float | None
) -> Iterator[Finding]:
    if rate is None or label_highest_rate is None:
        return
    for driving, most in largest.items():
        share = rate * (1.0 if most is None else most) / label_highest_rate
        if share > 1:
            way = driving.replace("_", " ")
            what = f"Driven {way}, the heaviest stripe gets {share:.1%} of the label's highest rate."
            advice = "Lower the rate, or choose a spacing whose largest relative rate is smaller."
            yield Finding("above_label", "stop", what, advice, ("by_driving", driving))
