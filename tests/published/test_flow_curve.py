"""Flow curves against figures printed outside the project."""

import math

import numpy as np
import pytest

from catchpan_service.calibration.catches import UncertaintyModel, catches
from catchpan_service.calibration.curve import fit_variance, flow
from catchpan_service.calibration.flow_curve import fit_flow_curve
from catchpan_service.calibration.pooling import pool

# NIST StRD, DanWood: y = b1 x^b2, certified values; data and values as in NIST_STRD/DanWood.dat of lmfit/lmfit-py.
DANWOOD_X = np.array([1.309, 1.471, 1.490, 1.565, 1.611, 1.680])
DANWOOD_Y = np.array([2.138, 3.421, 3.597, 4.340, 4.882, 5.660])
DANWOOD_B1, DANWOOD_B1_SD = 7.6886226176e-01, 1.8281973860e-02
DANWOOD_B2, DANWOOD_B2_SD = 3.8604055871e00, 5.1726610913e-02
DANWOOD_RSS, DANWOOD_RSD = 4.3173084083e-03, 3.2853114039e-02

# NIST StRD, SiRstv: five groups of five; the certified pooled standard deviation, as in SciPy's nist_anova.
SIRSTV = [
    [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
    [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
    [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
    [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
    [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
]
SIRSTV_POOLED_SD = 0.104076068334656


def danwood(form):
    """The data as catches of one second, x halved so that openings stay below 1."""
    session = catches(opening=DANWOOD_X / 2, mass=DANWOOD_Y, duration=np.ones(6))
    return fit_flow_curve(session, form=form, weighting="equal")


def test_danwood_is_met_to_all_certified_digits():
    fit = danwood("power")
    exponent = fit.parameters["exponent"]
    assert exponent.value == pytest.approx(DANWOOD_B2, rel=5e-11)
    assert exponent.standard_uncertainty == pytest.approx(DANWOOD_B2_SD, rel=1e-9)
    assert fit.parameters["flow_scale"].value == pytest.approx(DANWOOD_B1 * 2**DANWOOD_B2, rel=5e-10)
    assert fit.residual_sum_of_squares == pytest.approx(DANWOOD_RSS, rel=1e-10)
    assert fit.residual_standard_deviation == pytest.approx(DANWOOD_RSD, rel=1e-10)
    assert fit.degrees_of_freedom == 4


def test_danwood_scale_and_its_deviation_are_the_flow_at_x_of_one():
    curve = danwood("power").curve
    at_one = float(flow(curve, 0.5))
    assert at_one == pytest.approx(DANWOOD_B1, rel=5e-10)
    assert at_one * math.sqrt(fit_variance(curve, 0.5)) == pytest.approx(DANWOOD_B1_SD, rel=1e-8)


def test_a_straight_line_through_logarithms_would_not_pass_for_danwood():
    exponent, level = np.polyfit(np.log(DANWOOD_X), np.log(DANWOOD_Y), 1)
    assert (math.exp(level), exponent) == pytest.approx((0.749945, 3.917206), abs=1e-6)
    fitted = danwood("power").parameters["exponent"].value
    assert abs(fitted - exponent) > 0.05


def test_danwood_with_a_dead_opening_finds_the_computed_optimum():
    """Least-squares optimum computed with SciPy, not printed."""
    fit = danwood("offset_power")
    values = {name: parameter.value for name, parameter in fit.parameters.items()}
    assert values["exponent"] == pytest.approx(2.5555, abs=5e-5)
    assert values["dead_opening"] == pytest.approx(0.2563, abs=5e-5)
    assert values["flow_scale"] == pytest.approx(22.444, abs=5e-4)
    assert fit.residual_sum_of_squares == pytest.approx(0.0011131, abs=5e-8)
    assert fit.at_bound == ()


@pytest.mark.parametrize(
    ("grain", "printed"),
    [(2.5, [0.00464016, 0.0476387, 0.155727]), (3.0, [0.00465327, 0.0569943, 0.194195])],
)
def test_flows_of_the_beverloo_law_give_back_its_exponent_and_dead_opening(grain, printed):
    """Circular hole of 10, 20, 30 mm, C 0.58, k 1.4 (Chem. Eng. Sci. 15 (1961) 260), flows computed to six digits."""
    session = catches(opening=[0.1, 0.2, 0.3], mass=printed, duration=np.ones(3))
    fit = fit_flow_curve(session, form="offset_power")
    assert fit.parameters["exponent"].value == pytest.approx(2.5, abs=2e-5)
    assert fit.parameters["dead_opening"].value == pytest.approx(1.4 * grain / 100.0, abs=2e-6)


def test_repeatability_pools_the_groups_as_certified():
    values = np.array(SIRSTV) - 196.0
    session = catches(
        opening=np.repeat([0.2, 0.3, 0.4, 0.6, 0.8], 5), mass=np.exp(values).reshape(-1), duration=np.ones(25)
    )
    found = pool(session, UncertaintyModel()).repeatability
    assert found.value == pytest.approx(SIRSTV_POOLED_SD, rel=1e-12)
    assert found.degrees_of_freedom == 20
