"""``catchpan overlap``: a pan file becomes a pattern, its overlap and a pass spacing."""

from pathlib import Path

from catchpan.cli.arguments import AFlow, ALength, AMass, AnArea, ARate, ARatio, ARotation, ASpeed, SomeLengths
from catchpan.cli.connection import Common
from catchpan.cli.printing import number, put, put_findings, put_json, put_table, told
from catchpan.contract.overlaps import Driving, DrivingAnswer, Evaluation, OverlapAnswer, OverlapRequest
from catchpan.quantities import Lengths
from catchpan.tables import read_pans

WAYS = {"one_way": "one way (round and round)", "back_and_forth": "back and forth"}
_DEFAULT = Common()


def overlap(
    pans: Path,
    /,
    *,
    pan_area: AnArea,
    passes: int = 1,
    pan_tare: AMass | None = None,
    spacing: SomeLengths | None = None,
    driving: Driving | None = None,
    cv_limit: ARatio | None = None,
    evaluation: Evaluation = "continuous",
    driving_tolerance: ALength | None = None,
    rate: ARate | None = None,
    label_highest_rate: ARate | None = None,
    wind: ASpeed | None = None,
    flow: AFlow | None = None,
    speed: ASpeed | None = None,
    wanted_spacing: ALength | None = None,
    impeller_speed: ARotation | None = None,
    common: Common = _DEFAULT,
) -> None:
    """Turn a pan test into a pattern, its overlap, and the pass spacing to drive.

    Example: catchpan overlap pans.csv --pan-area "1 ft2" --passes 3 --spacing "11 ft"

    Parameters
    ----------
    pans
        A CSV file: position [ft], row 1 [g], row 2 [g] ...
    pan_area
        Opening of one pan, such as "1 ft2".
    passes
        How often each row was driven over before it was weighed.
    pan_tare
        Mass of an empty pan, where the masses include it.
    spacing
        Pass spacing to look at; may be given several times.
    driving
        one_way (round and round) or back_and_forth; both by default.
    cv_limit
        Largest CV that counts as even; 15 % by default.
    evaluation
        continuous, or stations (at the pans' places only).
    driving_tolerance
        By how much crews miss the pass spacing; 0.75 ft by default.
    rate
        The rate to lay, for the check against the label.
    label_highest_rate
        The most that the label allows.
    wind
        Wind during the test.
    flow
        Flow during the test, to see which share the pans recovered; with speed.
    speed
        Ground speed during the test.
    wanted_spacing
        A pass spacing that the pattern should be made to fit.
    impeller_speed
        The impeller speed now.
    """
    answer = _ask(locals())
    if common.json:
        put_json(answer)
    else:
        show(answer, detailed=spacing is not None)


def _ask(given: dict[str, object]) -> OverlapAnswer:
    positions, rows = read_pans(given["pans"], passes=given["passes"])  # type: ignore[arg-type]
    spacings, driving = given["spacing"], given["driving"]
    same = ("pan_area", "pan_tare", "cv_limit", "evaluation", "driving_tolerance", "rate", "label_highest_rate",
            "wind", "flow", "speed", "wanted_spacing", "impeller_speed")  # fmt: skip
    request = OverlapRequest(
        positions=positions,
        rows=rows,
        spacings=None if spacings is None else Lengths([one.to("ft") for one in spacings], "ft"),  # type: ignore[attr-defined]
        driving=None if driving is None else [driving],  # type: ignore[list-item]
        **{name: given[name] for name in same},  # type: ignore[arg-type]
    )
    with given["common"].client() as client:  # type: ignore[attr-defined]
        return client.overlap(request)  # type: ignore[no-any-return]


def show(answer: OverlapAnswer, *, detailed: bool) -> None:
    """Print an overlap report."""
    pattern = answer.pattern
    put("Pattern of one pass")
    put(f"  throw            {told(pattern.throw_left)} left, {told(pattern.throw_right)} right")
    put(f"  half-rate width  {told(pattern.half_rate_width)}")
    put(f"  balance          {number(pattern.left_share.value, 3)} {pattern.left_share.unit} lands left")
    for way, title in WAYS.items():
        one = getattr(answer.by_driving, way)
        if one is not None:
            _show_driving(title, one, answer)
            if detailed:
                _show_spacings(one, answer)
    put()
    _show_adjustment(answer)
    put_findings(answer.findings)


def _show_driving(title: str, one: DrivingAnswer, answer: OverlapAnswer) -> None:
    put()
    put(f"Driving {title}")
    within = "; ".join(f"{told(r.lowest, 3)} to {told(r.highest, 3)}" for r in one.spacing_ranges) or "none"
    put(f"  spacings with CV up to {told(answer.cv_limit, 3)}: {within}")
    if one.recommended_spacing is None:
        put("  no spacing can be recommended")
        return
    cv = f" (CV {told(one.recommended_cv, 3)})" if one.recommended_cv else ""
    put(f"  recommended pass spacing {told(one.recommended_spacing, 3)}{cv}")
    between = one.recommended_interval
    if between is not None and between.low and between.high and told(between.low, 3) != told(between.high, 3):
        put(f"  pans scatter; it lies between {told(between.low, 3)} and {told(between.high, 3)} (95 %)")


def _show_adjustment(answer: OverlapAnswer) -> None:
    """What is known of bounce and of which way to adjust."""
    if answer.recovered is not None:
        put(f"The pans recovered {told(answer.recovered, 3)} of what was spread.")
    own = answer.adjustment
    if own is None:
        return
    way = "right" if own.shift.value > 0 else "left"
    sure = f" ± {number(own.shift_uncertainty.value, 2)}" if own.shift_uncertainty else ""
    far = f"{number(abs(own.shift.value), 2)}{sure} {own.shift.unit}"
    put(f"To even out the sides, move the pattern {far} to the {way}.")
    if own.impeller_factor is not None:
        low, high = told(own.impeller_factor_low, 3), told(own.impeller_factor_high, 3)
        new = f", to {told(own.impeller_speed, 3)}" if own.impeller_speed else ""
        put(f"For the wanted spacing set the impeller speed to {told(own.impeller_factor, 3)} ({low} to {high}){new}.")
    put()


def _show_spacings(one: DrivingAnswer, answer: OverlapAnswer) -> None:
    rows = zip(
        answer.spacings.values, one.cv.values, one.relative_min.values, one.relative_max.values,
        answer.pattern.mean_rate.values, strict=True,
    )  # fmt: skip
    units = (answer.spacings.unit, one.cv.unit, one.relative_min.unit, one.relative_max.unit,
             answer.pattern.mean_rate.unit)  # fmt: skip
    names = ("spacing", "CV", "least", "most", "mean rate")
    put_table(
        [f"{name} [{unit}]" for name, unit in zip(names, units, strict=True)],
        [[number(value) for value in row] for row in rows],
    )
