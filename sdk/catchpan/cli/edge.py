"""``catchpan edge``: how far from an edge to drive, and where the first overlapped pass goes."""

from pathlib import Path
from typing import Any

from catchpan.cli.arguments import ALength, AMass, AnArea, ARate, ARatio, SomeLengths
from catchpan.cli.connection import Common
from catchpan.cli.overlap import WAYS
from catchpan.cli.printing import put, put_findings, put_json, put_table, told
from catchpan.contract.edges import Beyond, EdgeAnswer, EdgeDriving, EdgeRequest, EdgeSide
from catchpan.contract.overlaps import Driving, Pans
from catchpan.quantities import Area, Lengths, Mass
from catchpan.tables import read_pans

_DEFAULT = Common()


def edge(
    pans: Path,
    /,
    *,
    pan_area: AnArea,
    side: EdgeSide,
    pass_spacing: ALength,
    passes: int = 1,
    pan_tare: AMass | None = None,
    edge_pans: Path | None = None,
    laid_width: ALength | None = None,
    stand_off: ALength | None = None,
    distance: SomeLengths | None = None,
    off_target_limit: ARatio | None = None,
    lowest_relative: ARatio | None = None,
    highest_relative: ARatio | None = None,
    driving: Driving | None = None,
    most_edge_passes: int = 3,
    beyond: Beyond | None = None,
    rate: ARate | None = None,
    label_highest_rate: ARate | None = None,
    common: Common = _DEFAULT,
) -> None:
    """Find how far from an edge to drive, what still lands beyond it, and where the first overlapped pass goes.

    Example: catchpan edge pans.csv --pan-area "1 ft2" --passes 3 --side left --pass-spacing "11 ft" --beyond paving

    Parameters
    ----------
    pans
        A CSV file: position [ft], row 1 [g], row 2 [g] ...
    pan_area
        Opening of one pan, such as "1 ft2".
    side
        Where the edge is, seen from the driver on the edge pass: left or right.
    pass_spacing
        Of the overlapped passes.
    passes
        How often each row was driven over before it was weighed.
    pan_tare
        Mass of an empty pan, where the masses include it.
    edge_pans
        A pan file of the edge pass, where its pattern is another, as with one side shielded.
    laid_width
        What an edge pass answers for.
    stand_off
        Distance of the edge pass's middle from the edge; by default the smallest that keeps the limit.
    distance
        A distance to tell the share beyond the edge for; may be given several times.
    off_target_limit
        Largest share of a pass that may land beyond the edge; 1 % by default.
    lowest_relative
        Smallest rate over the wanted rate; 75 % by default.
    highest_relative
        Largest rate over the wanted rate; 125 % by default.
    driving
        one_way (round and round) or back_and_forth; both by default.
    most_edge_passes
        How many edge passes are tried.
    beyond
        What lies beyond the edge, for the caution: turf, water, paving, beds or other.
    rate
        The rate to lay.
    label_highest_rate
        The most that the label allows.
    """
    answer = _ask(locals())
    if common.json:
        put_json(answer)
    else:
        show(answer)


def _ask(asked: dict[str, Any]) -> EdgeAnswer:
    common, distance, driving, passes = (asked.pop(name) for name in ("common", "distance", "driving", "passes"))
    positions, rows = read_pans(asked.pop("pans"), passes=passes)
    asked["edge_pans"] = own_pans(asked["edge_pans"], passes, asked["pan_area"], asked["pan_tare"])
    request = EdgeRequest(
        positions=positions,
        rows=rows,
        distances=None if distance is None else Lengths([one.to("ft") for one in distance], "ft"),
        driving=None if driving is None else [driving],
        **asked,
    )
    with common.client() as client:
        answer: EdgeAnswer = client.edge(request)
    return answer


def own_pans(path: Path | None, passes: int, pan_area: Area, pan_tare: Mass | None) -> Pans | None:
    """The pan test of edge passes, with the same pans and as often driven."""
    if path is None:
        return None
    positions, rows = read_pans(path, passes=passes)
    return Pans(positions=positions, rows=rows, pan_area=pan_area, pan_tare=pan_tare)


def show(answer: EdgeAnswer) -> None:
    """Print where to drive along an edge, and what lands where."""
    put(f"Edge on the {answer.side}")
    if answer.stand_off is None:
        put("  no distance from the edge is shown to keep the limit")
    else:
        put(f"  drive {told(answer.stand_off, 3)} from the edge, the machine's middle")
        mass = f", {told(answer.mass_beyond, 3)}" if answer.mass_beyond else ""
        put(f"  beyond the edge lands {told(answer.share_beyond, 3)} of the pass{mass}")
        sure = answer.smallest_stand_off_uncertainty
        unsure = f" ± {told(sure, 2)} (standard uncertainty)" if sure else ""
        smallest = told(answer.smallest_stand_off, 3)
        put(f"  smallest distance for {told(answer.off_target_limit, 3)}: {smallest}{unsure}")
        put(f"  the edge pass answers for {told(answer.laid_width, 3)}: set the opening for that width")
    _show_distances(answer)
    for way, title in WAYS.items():
        one = getattr(answer.by_driving, way)
        if one is not None:
            _show_driving(title, one)
    put()
    put_findings(answer.findings)


def _show_distances(answer: EdgeAnswer) -> None:
    if answer.distances is None or answer.shares is None:
        return
    rows = zip(answer.distances.values, answer.shares.values, strict=True)
    put_table(
        [f"distance [{answer.distances.unit}]", f"lands beyond [{answer.shares.unit}]"],
        [[f"{far:.3g}", f"{share:.2f}"] for far, share in rows],
    )


def _show_driving(title: str, one: EdgeDriving) -> None:
    put()
    put(f"Overlapped passes driven {title}")
    seam = one.seam
    if seam is None:
        put("  no overlapped pass can meet the edge pass without throwing too much beyond the edge")
        return
    count = "one edge pass" if seam.edge_passes == 1 else f"{seam.edge_passes} edge passes"
    best = "" if seam.within_limits else " (the best there is; not within the limits)"
    put(f"  {count}, then the first overlapped pass {told(seam.gap, 3)} further in{best}")
    if seam.gap_range is not None:
        put(
            f"  within the limits from {told(seam.gap_range.lowest, 3)} to {told(seam.gap_range.highest, 3)} further in"
        )
    put(f"  that is {told(seam.first_overlapped, 3)} from the edge, driven the {seam.first_heading.value} way")
    put(f"  rate there: {told(seam.relative_min, 3)} to {told(seam.relative_max, 3)} of the wanted rate")
    put(f"  along the edge {told(seam.light_strip, 2)} get less than the lowest rate wanted")
