"""``catchpan coverage``: passes over an outline, and what they leave on each part of it."""

from itertools import pairwise
from pathlib import Path
from typing import Any

from catchpan.cli.arguments import ALength, AMass, AnAngle, AnArea, ARate, ARatio
from catchpan.cli.connection import Common
from catchpan.cli.edge import own_pans
from catchpan.cli.printing import number, put, put_findings, put_json, put_table, told
from catchpan.contract.coverages import CoverageAnswer, CoverageRequest, PassKind
from catchpan.contract.edges import EdgeSide
from catchpan.contract.overlaps import Driving
from catchpan.tables import read_outline, read_pans

_DEFAULT = Common()


def coverage(
    outline: Path,
    /,
    *,
    pans: Path,
    pan_area: AnArea,
    rate: ARate,
    pass_spacing: ALength,
    passes: int = 1,
    pan_tare: AMass | None = None,
    heading: AnAngle | None = None,
    driving: Driving = "back_and_forth",
    edge_passes: int = 1,
    headlands: int = 0,
    side: EdgeSide = "right",
    edge_pans: Path | None = None,
    stand_off: ALength | None = None,
    laid_width: ALength | None = None,
    gap: ALength | None = None,
    cell: ALength | None = None,
    off_target_limit: ARatio | None = None,
    lowest_relative: ARatio | None = None,
    highest_relative: ARatio | None = None,
    label_highest_rate: ARate | None = None,
    grid: bool = False,
    common: Common = _DEFAULT,
) -> None:
    """Drive passes over an outline and see what lands where: too little, too much, and off target.

    Example: catchpan coverage outline.csv --pans pans.csv --pan-area "1 ft2" --passes 3 --rate "3.2 lb/1000ft2"
    --pass-spacing "11 ft"

    Parameters
    ----------
    outline
        A CSV file: ring, x [ft], y [ft], one row for each corner; the ring is outline, or the name of a bed or pond.
    pans
        A pan file: position [ft], row 1 [g], row 2 [g] ...
    pan_area
        Opening of one pan, such as "1 ft2".
    rate
        The rate to lay.
    pass_spacing
        Of the straight passes and the headlands.
    passes
        How often each row of pans was driven over before it was weighed.
    pan_tare
        Mass of an empty pan, where the masses include it.
    heading
        Of the straight passes, anticlockwise from the x axis, such as "30 deg".
    driving
        one_way or back_and_forth.
    edge_passes
        Passes along the outline and round the holes.
    headlands
        Passes behind those with the usual pattern.
    side
        Where the edge is, seen from the driver along it: left or right.
    edge_pans
        A pan file of the edge pass, where its pattern is another.
    stand_off
        Distance of the edge pass's middle from the edge; by default the smallest that keeps the limit.
    laid_width
        What an edge pass answers for.
    gap
        From the last edge pass to the first pass behind it, as catchpan edge finds it.
    cell
        Size of a cell of the map.
    off_target_limit
        Largest share of the material that may land off target; 1 % by default.
    lowest_relative
        Smallest rate over the wanted rate; 75 % by default.
    highest_relative
        Largest rate over the wanted rate; 125 % by default.
    label_highest_rate
        The most that the label allows.
    grid
        Put the rate of every cell into the JSON.
    """
    answer = _ask(locals())
    if common.json:
        put_json(answer)
    else:
        show(answer)


def _ask(asked: dict[str, Any]) -> CoverageAnswer:
    common, pans, passes = (asked.pop(name) for name in ("common", "pans", "passes"))
    positions, rows = read_pans(pans, passes=passes)
    asked["edge_pans"] = own_pans(asked["edge_pans"], passes, asked["pan_area"], asked["pan_tare"])
    asked["outline"], holes = read_outline(asked["outline"])
    request = CoverageRequest(positions=positions, rows=rows, holes=holes, **asked)
    with common.client() as client:
        answer: CoverageAnswer = client.coverage(request)
    return answer


def show(answer: CoverageAnswer) -> None:
    """Print what the passes leave."""
    kinds = [one.kind for one in answer.passes]
    counts = [f"{kinds.count(kind)} {kind.value}" for kind in PassKind if kind in kinds]
    put(f"Ground {told(answer.area, 5)}, cells of {told(answer.cell, 3)}")
    put(f"  passes           {', '.join(counts)}; {told(answer.pass_length, 4)} in all")
    if answer.stand_off is not None:
        put(
            f"  along the edge   middle {told(answer.stand_off, 3)} from it, next pass {told(answer.gap, 3)} further in"
        )
    put(f"  material         {told(answer.material, 4)}")
    put(f"  mean rate        {told(answer.mean_rate, 3)}, CV {told(answer.cv, 3)}")
    put(f"  too little       {told(answer.under_share, 3)} of the ground below {told(answer.lowest_relative, 3)}")
    put(f"  too much         {told(answer.over_share, 3)} of the ground above {told(answer.highest_relative, 3)}")
    for place in answer.off_target:
        put(f"  off target       {told(place.mass, 3)} ({told(place.share, 2)}) on: {place.name}")
    put()
    _show_histogram(answer)
    put()
    put("Turns, wind, and throw ahead or behind are left out.")
    put_findings(answer.findings)


def _show_histogram(answer: CoverageAnswer) -> None:
    edges, unit = answer.histogram.edges.values, answer.histogram.edges.unit
    names = [f"{number(low)} to {number(high)}" for low, high in pairwise(edges)]
    rows = zip([*names, f"above {number(edges[-1])}"], answer.histogram.shares.values, strict=True)
    put_table(
        [f"of the wanted rate [{unit}]", f"ground [{answer.histogram.shares.unit}]"],
        [[name, f"{share:.1f}"] for name, share in rows],
    )
