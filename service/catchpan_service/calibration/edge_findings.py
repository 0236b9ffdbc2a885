"""What a person should look at where an edge is met."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from .edge_limits import ROUNDING, Limits
from .findings import Finding
from .overlap_findings import END_PAN_STOP
from .pattern import THROW_SHARE, Pattern
from .seam import Seam
from .stand_off import Side, StandOff
from .superposition import Driving

Beyond = Literal["turf", "water", "paving", "beds", "other"]
BEYOND: tuple[Beyond, ...] = ("turf", "water", "paving", "beds", "other")

CAUTIONS: dict[str, str] = {
    "water": "Keep the distance from water that the label and local rules set; it may be wider than any stand-off.",
    "paving": "Sweep or blow what lands on paving back onto the turf at once; the label and local rules come first.",
    "beds": "Ask the label whether the plants stand the material, and keep further off where it does not say.",
}


@dataclass(frozen=True)
class DrivingSeam:
    """The seam for one way of driving, and the overlapped ground behind it.

    Attributes
    ----------
    seam : Seam or None
        None where every overlapped pass that meets the edge passes would throw too much beyond the edge.
    overlapped_min, overlapped_max : float
        Smallest and largest rate over the wanted rate where only overlapped passes lie.
    """

    seam: Seam | None
    overlapped_min: float
    overlapped_max: float


def edge_findings(
    along: Pattern,
    row: tuple[str, ...],
    *,
    side: Side,
    own: StandOff,
    share: float | None,
    seams: Mapping[Driving, DrivingSeam],
    limits: Limits,
    beyond: Beyond | None,
    label: float | None,
) -> tuple[Finding, ...]:
    """Return all findings of one edge.

    Parameters
    ----------
    along : Pattern
        Of the edge passes.
    row : tuple of str
        Path of its positions.
    side : str
    own : StandOff
    share : float or None
        What lands beyond the edge at the stand-off that is driven.
    seams : mapping of str to DrivingSeam
    limits : Limits
    beyond : str or None
        What lies beyond the edge.
    label : float or None
        The wanted rate over the label's highest.
    """
    return (
        *_end_pan(along, row, side, own, limits),
        *_share(share, limits),
        *(one for way, met in seams.items() for one in _seam(way, met, limits)),
        *_light(seams),
        *_above_label(seams, label),
        *_caution(beyond),
    )


def _end_pan(along: Pattern, row: tuple[str, ...], side: Side, own: StandOff, limits: Limits) -> Iterator[Finding]:
    pan = 0 if side == "left" else len(along.rate) - 1
    caught, largest = float(along.rate[pan]), float(along.rate.max())
    advice = f"Lengthen the row on the {side} until its last pan stays empty, and drive it again."
    if own.distance is None:
        what = (
            f"On the {side} the last pan still catches {caught / largest:.0%} of the fullest: {own.share:.1%} of the"
            " material may fly beyond the row, so that no stand-off is shown to keep the limit of"
            f" {limits.off_target:.1%}."
        )
        yield Finding("no_stand_off", "stop", what, advice, (*row, pan))
    elif caught > 0:
        mean = float(along.rate.mean())
        severity = "note" if caught < THROW_SHARE * largest else "look" if caught <= END_PAN_STOP * mean else "stop"
        what = f"On the {side} the last pan holds {caught / largest:.0%} of the fullest: the row may end in the throw."
        yield Finding("end_pan_not_empty", severity, what, advice, (*row, pan))


def _share(share: float | None, limits: Limits) -> Iterator[Finding]:
    if share is None or share <= limits.off_target + ROUNDING:
        return
    what = f"At this stand-off {share:.1%} of an edge pass lands beyond the edge; the limit is {limits.off_target:.1%}."
    advice = "Drive further from the edge, shield that side, or lower the impeller speed."
    yield Finding("beyond_edge", "look", what, advice, ("stand_off",))


def _seam(way: str, met: DrivingSeam, limits: Limits) -> Iterator[Finding]:
    where, driven = ("by_driving", way), f"Driven {way.replace('_', ' ')}"
    if met.overlapped_min < limits.lowest - ROUNDING or met.overlapped_max > limits.highest + ROUNDING:
        what = (
            f"{driven}, overlapped passes alone lay {met.overlapped_min:.0%} to {met.overlapped_max:.0%} of the wanted"
            " rate at this spacing, which is outside the limits."
        )
        yield Finding("overlap_out_of_limits", "look", what, "Choose another pass spacing first.", where)
    if met.seam is None:
        what = f"{driven}, every overlapped pass that meets the edge passes would throw too much beyond the edge."
        yield Finding("seam_out_of_limits", "look", what, "Allow more edge passes, or a wider laid width.", where)
    elif not met.seam.within:
        what = (
            f"{driven}, no seam keeps the limits: the best there is has {met.seam.relative_min:.0%} to"
            f" {met.seam.relative_max:.0%} of the wanted rate."
        )
        advice = "Try another laid width or stand-off, or allow more edge passes."
        yield Finding("seam_out_of_limits", "look", what, advice, where)


def _light(seams: Mapping[Driving, DrivingSeam]) -> Iterator[Finding]:
    widest = max((one.seam.light_strip for one in seams.values() if one.seam), default=0.0)
    if widest > 0:
        what = "Along the edge a strip gets less than the lowest rate that is wanted, as wide as light_strip says."
        advice = "A pattern that falls off steeply on the edge side, as with a shield, makes it narrower."
        yield Finding("light_strip", "note", what, advice)


def _above_label(seams: Mapping[Driving, DrivingSeam], label: float | None) -> Iterator[Finding]:
    for way, met in seams.items():
        most = max(met.overlapped_max, met.seam.relative_max if met.seam else 0.0)
        if label is not None and label * most > 1 + ROUNDING:
            driven = way.replace("_", " ")
            what = f"Driven {driven}, the heaviest strip gets {label * most:.1%} of the label's highest rate."
            advice = "Lower the rate, or choose a spacing and a laid width whose largest relative rate is smaller."
            yield Finding("above_label", "stop", what, advice, ("by_driving", way))


def _caution(beyond: Beyond | None) -> Iterator[Finding]:
    if beyond in CAUTIONS:
        yield Finding("keep_distance", "note", f"Beyond the edge: {beyond}.", CAUTIONS[beyond], ("beyond",))
