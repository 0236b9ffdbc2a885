"""``catchpan plan``: which openings to catch at, how long and how often."""

from pathlib import Path

from catchpan.cli.arguments import ALength, AMass, ARatio, SomeRates, SomeSpeeds
from catchpan.cli.connection import Common
from catchpan.cli.files import read_curve
from catchpan.cli.printing import put, put_json, put_table, told
from catchpan.contract.plans import CatchPlanAnswer, CatchPlanRequest
from catchpan.quantities import Rates, Speeds
from catchpan.tables import read_catches

_DEFAULT = Common()


def plan(
    *,
    rate: SomeRates,
    speed: SomeSpeeds,
    pass_spacing: ALength,
    bucket: AMass,
    bag: AMass,
    similar: Path | None = None,
    caught: Path | None = None,
    scale_readability: AMass | None = None,
    target: ARatio | None = None,
    most: int | None = None,
    common: Common = _DEFAULT,
) -> None:
    """Plan the catches: which openings, how long and how often, so that the curve is sure enough.

    Example: catchpan plan --rate "2 lb/1000ft2" --rate "4 lb/1000ft2" --speed "3 mph" --speed "4 mph"
    --pass-spacing "11 ft" --bucket "10 lb" --bag "50 lb"

    Parameters
    ----------
    rate
        The smallest and the largest rate that crews lay.
    speed
        The slowest and the fastest ground speed that crews drive.
    pass_spacing
        Distance between neighbouring passes.
    bucket
        What the bucket takes.
    bag
        What there is to catch with.
    similar
        A catch file or a fit of a similar material.
    caught
        The catches so far (CSV).
    scale_readability
        Smallest step of the scale.
    target
        Uncertainty (95 %) of the curve that is sure enough; 4 % by default.
    most
        The most catches to make now; 12 by default.
    """
    with common.client() as client:
        answer = client.catch_plan(
            CatchPlanRequest(
                rates=Rates([one.to(rate[0].unit) for one in rate], rate[0].unit),
                speeds=Speeds([one.to(speed[0].unit) for one in speed], speed[0].unit),
                pass_spacing=pass_spacing,
                bucket=bucket,
                bag=bag,
                similar=None if similar is None else read_curve(similar, client),
                caught=[] if caught is None else read_catches(caught),
                scale_readability=scale_readability,
                target=target,
                most=most,
            )
        )
    if common.json:
        put_json(answer)
    else:
        show(answer)


def show(answer: CatchPlanAnswer) -> None:
    """Print a plan of catches."""
    low, high = told(answer.smallest_working_opening, 3), told(answer.largest_working_opening, 3)
    if answer.predicted_now is not None:
        put(f"With the catches so far the curve is sure to ±{told(answer.predicted_now, 2)}, {low} to {high} opening.")
    if not answer.catches:
        put("That is enough.")
        return
    rows = [[told(one.opening, 3), told(one.duration, 3), told(one.expected_mass, 2)] for one in answer.catches]
    put_table(["opening", "catch for", "expect about"], rows)
    put()
    put(f"In all {told(answer.material, 3)} and {told(answer.time, 3)}.")
    verdict = "which is enough" if answer.enough else f"more than the {told(answer.target, 2)} wanted"
    put(f"The curve will be sure to ±{told(answer.predicted, 2)} from {low} to {high} opening, {verdict}.")
    put(f"Finding an opening adds up to ±{told(answer.in_use, 2)} in use; no catch helps against that.")
    if "flow" in answer.assumed:
        put("Nothing is known of this material yet: make two catches, then plan again with --caught.")
