"""Granules, courses, repeats and machine comparison against printed values."""

import numpy as np

from catchpan_service.calibration.catches import UncertaintyModel
from catchpan_service.calibration.granules import granules
from catchpan_service.calibration.ground_speed import GroundSpeed, ground_speed
from catchpan_service.calibration.machine_comparison import MachineComparison, machine_comparison
from catchpan_service.calibration.pooling import spread_of

from .row import Row

STRD_ANOVA = "NIST StRD, SiRstv (scipy/stats/tests/data/nist_anova)"
SIRSTV = [
    [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
    [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
    [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
    [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
    [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
]

READINGS = [
    96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07,
    100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72,
]  # fmt: skip
GUM_TABLE_1 = "JCGM 100:2008 (GUM), 4.4.3, Table 1"


def variances() -> MachineComparison:
    """SiRstv's groups as machines, its values as they are."""
    machine = np.repeat(np.arange(5), 5)
    return machine_comparison(machine=machine, opening=np.full(25, 0.4), flow=np.ravel(SIRSTV), logarithms=False)


def deviation(values: list[float]) -> float:
    """Standard deviation by the pooled spread of logarithms; exact where values differ by little."""
    flows = np.exp(np.array(values) - np.mean(values))
    found = spread_of(flows.tolist(), [range(len(values))], UncertaintyModel()).seen
    return float("nan") if found is None else found


def course(durations: list[float]) -> GroundSpeed:
    """A course of 1 m, known exactly, timed by an exact watch."""
    return ground_speed(distance=1.0, durations=durations, timer_uncertainty=0.0, course_uncertainty=0.0)


def half_retained() -> float:
    """Size guide number where a sieve of 1.5 mm retains half."""
    return float(granules(openings=[0.0015, 0.001], shares=[0.5, 0.4, 0.1]).size_guide_number)


def hand_check() -> list[float]:
    """Size guide number and uniformity index: 3.35 mm retains 10 %, 2.36 mm 50 %, 1.40 mm 95 %."""
    found = granules(openings=[0.00335, 0.00236, 0.0014], shares=[0.10, 0.40, 0.45, 0.05])
    return [float(found.size_guide_number), float(found.uniformity_index)]


ROWS = (
    Row(
        "machine comparison: sums of squares between and within",
        STRD_ANOVA,
        "5.11462616E-02 2.16636560E-01",
        lambda: [variances().between_sum, variances().within_sum],
    ),
    Row(
        "machine comparison: degrees of freedom",
        STRD_ANOVA,
        "4 20",
        lambda: [variances().between_freedom, variances().within_freedom],
        near=0,
    ),
    Row(
        "machine comparison: F, R², pooled deviation",
        STRD_ANOVA,
        "1.18046237440255 0.190999039051129 0.104076068334656",
        lambda: [variances().f, variances().r_squared, variances().within_deviation],
        share=1e-9,
    ),
    Row("repeatability: standard deviation of 20 readings", GUM_TABLE_1, "1.489", lambda: deviation(READINGS), basis="from memory", exact="1.488844"),
    Row("ground speed: mean of 20 times [s]", GUM_TABLE_1, "100.145", lambda: 1 / course(READINGS).speed, basis="from memory", near=1e-9),
    Row(
        "ground speed: standard uncertainty of that mean [s]",
        GUM_TABLE_1,
        "0.333",
        lambda: course(READINGS).standard_uncertainty / course(READINGS).speed ** 2,
        basis="from memory",
        exact="0.332916",
    ),
    Row("repeatability: standard deviation of three values", "40 CFR 1065.602, law.cornell.edu", "0.6619", lambda: deviation([10.60, 11.91, 11.09])),
    Row("ground speed: mean of three times [s]", "40 CFR 1065.602, law.cornell.edu", "11.20", lambda: 1 / course([10.60, 11.91, 11.09]).speed),
    Row("repeatability of three numbers near 10 000 000", "NIST StRD, NumAcc1", "1", lambda: deviation([10000001, 10000003, 10000002]), basis="from memory", near=1e-12),
    Row(
        "repeatability of 1001 numbers near 1 000 000",
        "NIST StRD, NumAcc3",
        "0.1",
        lambda: deviation([1000000.2, *[1000000.1, 1000000.3] * 500]),
        basis="from memory",
        near=1e-9,
    ),
    Row(
        "size guide number where 1.5 mm retains half",
        "receivinghelpdesk.com, How is fertilizer density measured (a weak source)",
        "150",
        half_retained,
        near=1e-6,
    ),
    Row("size guide number and uniformity index of three sieves", "by hand", "236 41.79", hand_check, basis="computed", near=0.005),
    Row(
        "ground speed of 200 ft in 45.4545 s [mph]",
        "NC State turf calibration bulletin; 1 mph = 88 ft/min",
        "3",
        lambda: ground_speed(distance=200 * 0.3048, durations=[200 * 60 / (3 * 88)]).speed / 0.44704,
        near=1e-11,
    ),
)  # fmt: skip
