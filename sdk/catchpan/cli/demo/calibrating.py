"""Steps 2 to 7: catches planned and made, a curve, a throw, openings, and a pan test."""

from dataclasses import dataclass
from typing import Any

import msgspec

from catchpan import demo as files
from catchpan.cli import coverage, curve, edge, opening, overlap, plan, throw
from catchpan.cli.demo.stage import EDGE, LABEL, OPENING_STEP, PAN, RATE, SPACING, SPEED, Stage
from catchpan.cli.files import fit
from catchpan.cli.printing import put
from catchpan.contract.coverages import CoverageRequest
from catchpan.contract.curves import FlowCurveAnswer
from catchpan.contract.edges import EdgeRequest
from catchpan.contract.openings import ChartRequest, OpeningRequest
from catchpan.contract.plans import CatchPlanRequest
from catchpan.contract.throws import ThrowObservation, ThrowRequest
from catchpan.quantities import Length, Lengths, Mass, Rates, Rotation, Speed, Speeds
from catchpan.tables import read_catches, read_outline, read_pans

CAUTIONS = """Before a catch: parked, brake set, wheels chocked, impeller disconnected or guarded and proved
still; bucket and chute placed before the gate is opened from the seat; nobody reaches in; key out
before emptying. Gloves, eye protection, no dust in the face. The product label, the machine's
manual, local rules and licensed practice come first."""
_PACED = [(480, 8.4, 8.1), (560, 9.9, 9.6), (640, 11.4, 11.2), (720, 12.8, 12.7)]


@dataclass(frozen=True)
class Calibrated:
    """What the later steps need: the curve, and the impeller speed for the throw."""

    curve: FlowCurveAnswer
    impeller_speed: Rotation


def calibrate(stage: Stage) -> Calibrated:
    """From a plan of catches to a pan test."""
    _plan(stage)
    _catch(stage)
    found = _fit(stage)
    speed = _throw(stage)
    _openings(stage, found)
    _spread(stage)
    return Calibrated(found, speed)


def _plan(stage: Stage) -> None:
    stage.step("Plan the catches")
    stage.does(
        "One bag, a ten-pound bucket, the rates and speeds that crews drive",
        'catchpan plan --rate "2 lb/1000ft2" --rate "4 lb/1000ft2" --speed "3 mph" --speed "4 mph" ...',
    )
    asked = CatchPlanRequest(
        rates=Rates([2, 4], "lb/1000ft2"),
        speeds=Speeds([3, 4], "mph"),
        pass_spacing=SPACING,
        bucket=Mass(10, "lb"),
        bag=Mass(50, "lb"),
        scale_readability=Mass(0.01, "lb"),
    )
    plan.show(stage.client.catch_plan(asked))


def _catch(stage: Stage) -> None:
    stage.step("Catch and weigh")
    stage.does("At the machine, with fresh, dry material of lot L2041")
    put(CAUTIONS)
    count = len(read_catches(stage.place / files.CATCHES))
    put(f"\n{count} catches at six uneven openings, two durations at one of them: {files.CATCHES}")


def _fit(stage: Stage) -> FlowCurveAnswer:
    stage.step("Fit the flow curve, and know how sure it is")
    stage.does("Catches to a curve", f"catchpan curve fit {files.CATCHES}")
    found = fit(stage.place / files.CATCHES, stage.client)
    curve.show(found)
    stage.keep("curve.json", found)
    return found


def _throw(stage: Stage) -> Rotation:
    stage.step("Set the throw")
    stage.does("Paced throws to an impeller speed for 11 ft", 'catchpan throw throws.csv --wanted-throw "11 ft"')
    paced = [
        ThrowObservation(impeller_speed=Rotation(speed, "rpm"), left=Length(left, "ft"), right=Length(right, "ft"))
        for speed, left, right in _PACED
    ]
    asked = ThrowRequest(observations=paced, wanted_throws=Lengths([SPACING.value], SPACING.unit))
    answer = stage.client.throw(asked)
    throw.show(answer)
    sides = [side.speeds[0].impeller_speed for side in (answer.left, answer.right)]
    return Rotation(round(sum(one.to("rpm") for one in sides) / len(sides)), "rpm")


def _openings(stage: Stage, found: FlowCurveAnswer) -> None:
    stage.step("Turn the rate into an opening")
    ask = f'catchpan opening curve.json --rate "{RATE}"'
    stage.does("The open lawn: passes 11 ft apart", f'{ask} --speed "{SPEED}" --pass-spacing "{SPACING}"')
    open_lawn = OpeningRequest(
        curve=found.curve,
        rate=RATE,
        speed=SPEED,
        pass_spacing=SPACING,
        opening_step=OPENING_STEP,
        label_highest_rate=LABEL,
    )
    opening.show(stage.client.opening(open_lawn))
    stage.does(
        "The edge pass along beds and paving: it covers once, and stands alone",
        f'{ask} --speed "3 mph" --edge-width "{EDGE}"',
    )
    along = msgspec.structs.replace(open_lawn, speed=Speed(3, "mph"), pass_spacing=None, edge_width=EDGE)
    opening.show(stage.client.opening(along))
    stage.does("A chart for the cab", 'catchpan chart curve.json --rate ... --speed ... --pass-spacing "11 ft"')
    chart = stage.client.opening_chart(
        ChartRequest(
            curve=found.curve,
            rates=Rates([2, 2.5, 3.2, 4], "lb/1000ft2"),
            speeds=Speeds([2.5, 3, 3.5, 4, 5], "mph"),
            pass_spacing=SPACING,
            opening_step=OPENING_STEP,
            label_highest_rate=LABEL,
        )
    )
    opening.show_chart(chart)
    stage.keep("chart.json", chart)


def _spread(stage: Stage) -> None:
    stage.step("Check the spread")
    pans = f'{files.PANS} --pan-area "1 ft2" --passes 3'
    stage.does("A row of pans, three passes, three rows", f'catchpan overlap {pans} --rate "{RATE}"')
    answer = stage.client.overlap(stage.pan_test())
    overlap.show(answer, detailed=False)
    stage.keep("overlap.json", answer)
    positions, rows = read_pans(stage.place / files.PANS, passes=3)
    row: dict[str, Any] = {"positions": positions, "rows": rows, "pan_area": PAN, "rate": RATE, "pass_spacing": SPACING}
    stage.does(
        "Meet an edge: how far off, and where the first overlapped pass goes",
        f'catchpan edge {pans} --side left --pass-spacing "{SPACING}" --beyond paving',
    )
    edge.show(stage.client.edge(EdgeRequest(side="left", beyond="paving", **row)))
    stage.does(
        "Map a lawn with a pond and a bed",
        f'catchpan coverage {files.OUTLINE} --pans {pans} --rate "{RATE}" ...',
    )
    outline, holes = read_outline(stage.place / files.OUTLINE)
    coverage.show(stage.client.coverage(CoverageRequest(outline=outline, holes=holes, **row)))
