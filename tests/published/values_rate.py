"""Rate, width, speed and flow against printed relations; intervals against the GUM's factors."""

import dataclasses
import math

from scipy.optimize import brentq
from scipy.special import stdtrit

from catchpan_service.calibration.curve import FlowCurve, fit_variance
from catchpan_service.calibration.field_check import field_check
from catchpan_service.calibration.opening import opening_for_rate

from .row import Row

POUND, FOOT, MILE_PER_HOUR, ACRE = 0.45359237, 0.3048, 0.44704, 4046.8564224
POUND_PER_MINUTE, POUND_PER_ACRE = POUND / 60.0, POUND / ACRE
POUND_PER_THOUSAND = POUND / (1000.0 * FOOT**2)

LANGELAND = "Langeland, Univ. of Florida Aquatic Pest Control (the ratio); US Army TM 5-3740-218-13P (495)"
UMASS = "UMass Amherst, Rotary Spreader Calibration Procedures"
GUM_G2 = "JCGM 100:2008 (GUM), table G.2"
CFR = "40 CFR 1065.602, law.cornell.edu"
GUM_H1 = "JCGM 100:2008 (GUM), H.1; GTC 1.5, GUM_H1"

EXACT = FlowCurve(
    form="power",
    algorithm="power/1",
    weighting="uncertainty",
    gates="both",
    left_share=None,
    flow_scale=1.0,
    dead_opening=0.0,
    exponent=1.5,
    knot_opening=(0.1, 0.9),
    knot_flow=(),
    knot_uncertainty=(),
    covariance=((0.0004, 0.0, 0.0), (0.0, 0.0, 0.0), (0.0, 0.0, 0.0)),
    degrees_of_freedom=5.0,
    opening_range=(0.1, 0.9),
    smallest_steady_opening=0.1,
    largest_unsteady_opening=None,
    opening_uncertainty=0.0,
    shared_uncertainty=0.0,
)
"""A made-up curve of which only the scale is unsure."""


def flow(rate: float, mph: float, feet: float, coverages: int = 1) -> float:
    """Flow for a rate in SI [lb/min]."""
    answer = opening_for_rate(EXACT, rate=rate, speed=mph * MILE_PER_HOUR, laid_width=feet * FOOT, coverages=coverages)
    assert math.isclose(float(answer.opening) ** 1.5, float(answer.flow), rel_tol=1e-12)
    return float(answer.flow) / POUND_PER_MINUTE


def metric_flow() -> float:
    """Flow for 50 kg/ha at 10 km/h on 12 m [kg/min]."""
    return float(opening_for_rate(EXACT, rate=50 / 10_000, speed=10 / 3.6, laid_width=12).flow) * 60


def factor(freedom: float) -> float:
    """Half width of a rate interval over its uncertainty, in logarithms."""
    curve = dataclasses.replace(EXACT, degrees_of_freedom=float(freedom))
    answer = opening_for_rate(curve, rate=0.01, speed=1.0, laid_width=4.0)
    low, high = (float(end) for end in answer.rate_interval_this_machine)
    return 0.5 * math.log(high / low) / math.sqrt(float(fit_variance(curve, answer.opening)))


def combined(
    first: float, first_freedom: float, second: float, second_freedom: float, known: float = 0.0
) -> list[float]:
    """Combined uncertainty, and effective degrees of freedom, of two estimated components and one that is known.

    The first is the fit's, the second the spread between machines, which enters twice. The degrees of freedom are those
    of the t factor by which the interval is wider than one with infinite degrees of freedom.
    """
    unit = 0.01 / max(first, second)

    def reach(freedom: float, machines: float) -> float:
        curve = dataclasses.replace(
            EXACT,
            covariance=(((first * unit) ** 2, 0.0, 0.0), (0.0, 0.0, 0.0), (0.0, 0.0, 0.0)),
            degrees_of_freedom=freedom,
            shared_uncertainty=known * unit,
        )
        answer = opening_for_rate(
            curve,
            rate=0.01,
            speed=1.0,
            laid_width=4.0,
            between_machine_spread=second * unit / math.sqrt(2.0),
            machines_checked=machines,
        )
        low, high = (float(end) for end in answer.rate_interval_any_machine)
        return 0.5 * math.log(high / low)

    wide, known_well = reach(first_freedom, int(second_freedom) + 1), reach(math.inf, 10**12)
    t = wide / known_well * stdtrit(1e9, 0.975)
    return [known_well / stdtrit(1e9, 0.975) / unit, brentq(lambda nu: stdtrit(nu, 0.975) - t, 1.0, 1e4)]


def welch() -> list[float]:
    """t and its degrees of freedom, of 1205.3 (s 9.399, n 11) against 1123.8 (s 10.583, n 7)."""
    uncertainty, freedom = combined(9.399 / math.sqrt(11), 10, 10.583 / math.sqrt(7), 6)
    return [(1205.3 - 1123.8) / uncertainty, freedom]


def end_gauge() -> list[float]:
    """Combined uncertainty [nm] of 25 (18 degrees of freedom) and 16.6 (2), the small 9.7 and 2.9 being known."""
    return combined(25.0, 18, 16.6, 2, math.hypot(9.7, 2.9))


def laid(used: float, **ground: float) -> float:
    """Rate that was laid [lb/acre], by a field check against 1 lb/acre."""
    check = field_check(used=used * POUND, rate=POUND_PER_ACRE, **ground)
    return float(check.overall if check.flow_and_speed is None else check.flow_and_speed)


def wheels_turned() -> float:
    """20 lb on 43 turns of 9 ft, 8 ft wide [lb/acre]."""
    return laid(20.0, distance=43 * 9 * FOOT, laid_width=8 * FOOT)


ROWS = (
    Row("200 lb/acre at 3 mph on 12 ft [lb/min]", LANGELAND, "14.5455", lambda: flow(200 * POUND_PER_ACRE, 3, 12), basis="computed"),
    Row("the same [g/s]", LANGELAND, "109.962", lambda: flow(200 * POUND_PER_ACRE, 3, 12) * POUND_PER_MINUTE * 1000, basis="computed"),
    Row("4 lb/1000 ft² at 3 mph on 12 ft [lb/min]", LANGELAND, "12.672", lambda: flow(4 * POUND_PER_THOUSAND, 3, 12), basis="computed", near=1e-10),
    Row("5 lb/1000 ft² at 4 mph on 10 ft [lb/min]", LANGELAND, "17.6", lambda: flow(5 * POUND_PER_THOUSAND, 4, 10), basis="computed", near=1e-10),
    Row(
        "acres in a minute for each mph and foot, from a rate's flow",
        "US Army TM 5-3740-218-13P",
        "0.0020202",
        lambda: flow(POUND_PER_ACRE, 1, 1),
        exact="0.002020202",
    ),
    Row(
        "50 kg/ha at 10 km/h on 12 m [kg/min], by 600 × kg/min / (m × km/h)",
        "Calibración de fertilizadoras, scribd 504491392 (the example computed)",
        "10",
        metric_flow,
        near=1e-11,
    ),
    Row(
        "each of two directions for 5 lb/1000 ft²",
        UMASS,
        "2.5",
        lambda: 5 * flow(5 * POUND_PER_THOUSAND, 3, 12, coverages=2) / flow(5 * POUND_PER_THOUSAND, 3, 12),
        near=1e-11,
    ),
    Row(
        "rate intervals: t at 95 % for 1, 2, 3, 5, 10, 20, 50 degrees of freedom",
        GUM_G2,
        "12.71 4.30 3.18 2.57 2.23 2.09 2.01",
        lambda: [factor(freedom) for freedom in (1, 2, 3, 5, 10, 20, 50)],
        basis="from memory",
    ),
    Row(
        "the same for 1, 2, 3, 5, 10, 20, 30",
        CFR,
        "12.706 4.303 3.182 2.571 2.228 2.086 2.042",
        lambda: [factor(freedom) for freedom in (1, 2, 3, 5, 10, 20, 30)],
    ),
    Row("t of two means, and its degrees of freedom, as a rate interval of any machine", CFR, "16.63 11.76", welch),
    Row(
        "combined uncertainty of an end gauge [nm], as a rate interval of any machine",
        GUM_H1,
        "32",
        lambda: end_gauge()[0],
    ),
    Row(
        "its degrees of freedom, which the print cuts off",
        GUM_H1,
        "16",
        lambda: end_gauge()[1],
        near=1,
    ),
    Row(
        "field check: 3 oz of bait on 200 ft × 23 ft [lb/acre]; the print cuts off",
        "eXtension, Example: Calibrating a Fire Ant Bait Spreader (2007)",
        "1.77",
        lambda: laid(3 / 16, area=200 * 23 * FOOT**2),
        exact="1.77554",
        near=0.01,
    ),
    Row(
        "field check: 43 turns of 9 ft, 8 ft wide, 20 lb [lb/acre]",
        "true area, on the figures of Univ. of Florida (IFAS), dry-chemical applicator sheet, Table 2",
        "281.40",
        wheels_turned,
        basis="computed",
    ),
    Row(
        "the same by the rule of 1000, 43 turns counting for an acre's 43.56",
        "Univ. of Florida (IFAS), dry-chemical applicator sheet, Table 2",
        "277",
        lambda: wheels_turned() * 1000 / (43_560 / 43),
        exact="277.78",
        near=1,
    ),
)  # fmt: skip
