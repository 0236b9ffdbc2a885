"""Pan tests and overlap: closed forms of Fourier and geometry, sets to add up by hand, and printed rules."""

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import ArrayLike

from catchpan_service.calibration.overlap import overlap
from catchpan_service.calibration.pattern import Pattern, Shape, pattern, shape
from catchpan_service.calibration.stations import station_field
from catchpan_service.calibration.superposition import DRIVINGS, superpose

from .row import Row

FOOT, POUND = 0.3048, 0.45359237

SETS = {
    "symmetric": [0, 1, 2, 3, 4, 5, 6, 5, 4, 3, 2, 1, 0],
    "skewed": [0, 2, 4, 6, 8, 10, 12, 11, 9, 6, 3, 1, 0],
}
"""Small sets in whole numbers, which anyone can add up by hand; the pans lie one unit apart."""

FIELDS = (
    ("symmetric", 6, "one_way", "6 6 6 6 6 6", "6 0 0"),
    ("symmetric", 6, "back_and_forth", "6 6 6 6 6 6 6 6 6 6 6 6", "6 0 0"),
    ("symmetric", 8, "one_way", "6 5 4 4 4 4 4 5", "4.5 15.7135 16.7984"),
    ("symmetric", 8, "back_and_forth", "6 5 4 4 4 4 4 5 6 5 4 4 4 4 4 5", "4.5 15.7135 16.2288"),
    ("symmetric", 9, "one_way", "6 5 4 3 3 3 3 4 5", "4 26.3523 27.9508"),
    ("symmetric", 9, "back_and_forth", "6 5 4 3 3 3 3 4 5 6 5 4 3 3 3 3 4 5", "4 26.3523 27.1163"),
    ("skewed", 6, "one_way", "12 13 13 12 11 11", "12 6.8041 7.4536"),
    ("skewed", 6, "back_and_forth", "12 12 12 12 12 12 12 12 12 12 12 12", "12 0 0"),
    ("skewed", 7, "one_way", "12 11 11 10 9 9 10", "10.2857 10.0154 10.8179"),
    ("skewed", 7, "back_and_forth", "12 11 10 9 9 10 11 12 10 10 10 10 10 10", "10.2857 8.5617 8.8849"),
)
"""Set, spacing in pan steps, driving, overlapped field, and its mean, CV by n and CV by n - 1 [%]."""


def laid(positions: ArrayLike, rates: ArrayLike) -> Pattern:
    """A pattern as it is."""
    position, rate = np.array(positions, dtype=float), np.array(rates, dtype=float)
    return Pattern(position, rate, None, 1, rate[None])


def pans(name: str) -> Pattern:
    """One of the sets."""
    weights = SETS[name]
    return laid(np.arange(len(weights)) - len(weights) // 2, weights)


def bell() -> Pattern:
    """A bell curve of deviation 1 from dense pans."""
    positions = np.linspace(-8, 8, 1601)
    return laid(positions, np.exp(-(positions**2) / 2))


def population_cv(of: Pattern, spacing: float, driving: str) -> float:
    """CV over all ground [%]."""
    at = np.array([spacing], dtype=float)
    return 100 * float(superpose(positions=of.position, rate=of.rate, spacings=at, driving=driving).cv[0])


def both(of: Pattern, *spacings: float) -> list[float]:
    """CVs at the spacings [%], for both ways of driving."""
    return [population_cv(of, spacing, driving) for spacing in spacings for driving in DRIVINGS]


def field(name: str, steps: int, driving: str) -> np.ndarray:
    """The overlapped field at the pans' places."""
    return station_field(pattern=pans(name), spacing=float(steps), driving=driving)


def summed(name: str, steps: int, driving: str) -> list[float]:
    """Mean, and CV by both deviations [%]."""
    asked = {"spacings": np.array([float(steps)]), "evaluation": "stations", "driving": (driving,)}
    answers = [overlap(pans(name), deviation=deviation, **asked) for deviation in ("population", "sample")]
    cv = [100 * float(answer.by_driving[driving].cv[0]) for answer in answers]
    return [float(field(name, steps, driving).mean()), *cv]


def hand_rows() -> Iterator[Row]:
    """The fields of both sets."""
    for name, steps, driving, laid_there, sums in FIELDS:
        words = f"{name} pans at {steps} steps, {driving.replace('_', ' ')}"
        yield Row(
            f"field at stations: {words}",
            "by hand",
            laid_there,
            lambda case=(name, steps, driving): field(*case),
            basis="computed",
            near=0,
        )
        yield Row(
            f"mean, CV by n and by n - 1 [%]: {words}",
            "by hand",
            sums,
            lambda case=(name, steps, driving): summed(*case),
            basis="computed",
            near=5e-5,
        )


def vials() -> Shape:
    """Vials 4 in deep in the middle and 2 in deep 6 ft out on both sides."""
    feet = np.array([-10.0, -8, -6, -4, -2, 0, 2, 4, 6, 8, 10])
    return shape(laid(feet * FOOT, [0, 1, 2, 3, 4, 4, 4, 3, 2, 1, 0]))


def lopsided() -> Shape:
    """A made-up pattern whose half-peak distances differ."""
    return shape(laid([-6, -4, -2, -1, 0, 1, 2, 3], [0, 4, 8, 8, 8, 8, 4, 0]))


def pan_of_a_square_foot(grams: float) -> float:
    """Rate that a pan of 1 ft² with so much stands for [lb/1000 ft²]."""
    found = pattern(
        positions=np.array([-1.0, 0.0, 1.0]),
        masses=np.full((1, 3), grams / 1000),
        passes=[1],
        headings=["same"],
        pan_area=FOOT**2,
    )
    return float(found.rate[1]) * 1000 * FOOT**2 / POUND


def closed(computation: str, why: str, printed: str, of: Pattern, spacings: Sequence[float], near: float = 1e-7) -> Row:
    """A closed form, for both ways of driving."""
    return Row(f"CV [%]: {computation}", why, printed, lambda: both(of, *spacings), basis="computed", near=near)


TRIANGLE, RECTANGLE = laid([-2, 0, 2], [0, 5, 0]), laid([-3, 0, 3], [1, 1, 1])
TRAPEZOID, RAMP = laid([-1.5, -0.5, 0.5, 1.5], [0, 1, 1, 0]), laid([-1, 0, 1], [0, 1, 2])

ROWS = (
    closed("triangle at its half base over 1, 2, 3, 4", "partition of unity", "0 0 0 0 0 0 0 0", TRIANGLE, (2, 1, 2 / 3, 0.5)),
    closed("triangle at 1.5 half bases", "integral", "25 25", TRIANGLE, (3,)),
    closed("triangle at its base", "integral, 1/√3", "57.735027 57.735027", TRIANGLE, (4,), 1e-6),
    closed("rectangle at its width over 1 and 2", "partition of unity", "0 0 0 0", RECTANGLE, (6, 3)),
    closed("rectangle at 3/4 of its width", "√((w - 1)(2 - w))/w, w = width/spacing", "35.355339059 35.355339059", RECTANGLE, (4.5,)),
    closed("trapezoid at half the sum of top and base", "partition of unity", "0 0", TRAPEZOID, (2,), 1e-10),
    Row("CV [%]: ramp at half its base, one way", "integral, 1/√12", "28.867513459", lambda: population_cv(RAMP, 1, "one_way"), basis="computed", near=1e-7),
    Row("CV [%]: the same back and forth", "integral", "50", lambda: population_cv(RAMP, 1, "back_and_forth"), basis="computed", near=1e-7),
    closed("bell curve at 2 deviations", "Poisson summation", "1.017086 1.017086", bell(), (2,), 1.1e-4),
    closed("bell curve at its width at half height", "Poisson summation", "4.023034 4.023034", bell(), (2.354820045,), 4e-4),
    closed("bell curve at 3 deviations", "Poisson summation", "15.776150 15.776150", bell(), (3,), 1.6e-3),
    *hand_rows(),
    Row(
        "half-rate distance and width of vials 4 in deep, 2 in deep 6 ft out [ft]",
        "Ohio State Univ. Extension, Bulletin 817-00, b817_13",
        "6 12",
        lambda: [vials().half_rate_left / FOOT, vials().half_rate_width / FOOT],
        near=1e-11,
    ),
    Row(
        "working width of a lopsided pattern: left plus right half-peak distance; numbers made up",
        "tecnicoagricola.es, regulación de las abonadoras de proyección",
        "4 2 6",
        lambda: [lopsided().half_rate_left, lopsided().half_rate_right, lopsided().half_rate_width],
        near=0,
    ),
    Row(
        "rate of a pan of 1 ft² that holds 2.160 g [lb/1000 ft²]",
        "Texas A&M Aggie Turf, rotaryspreader1 (the pan computed)",
        "4.76",
        lambda: pan_of_a_square_foot(2.160),
    ),
)  # fmt: skip
