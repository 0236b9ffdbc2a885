"""The spread between machines from their check catches."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.machine_comparison import machine_comparison
from catchpan_service.calibration.machine_spread import machine_spread

logs = st.lists(st.floats(-0.2, 0.2), min_size=3, max_size=8)


def one_group(y, u=0.01):
    return machine_spread(
        group=[0] * len(y), machine=range(len(y)), log_factor=y, standard_uncertainty=np.broadcast_to(u, len(y))
    )


def test_checks_that_are_means_of_repeats_show_the_spread_of_the_analysis_of_variance():
    rng = np.random.default_rng(5)
    rows = np.exp(0.03 * rng.standard_normal((7, 1)) + 0.01 * rng.standard_normal((7, 4)))
    peer = machine_comparison(machine=np.repeat(range(7), 4), opening=np.full(28, 0.4), flow=rows.ravel())
    found = one_group(np.log(rows).mean(axis=1), peer.within_deviation / 2)
    assert peer.between_spread > 0
    assert found.spread == pytest.approx(peer.between_spread, rel=1e-9)
    assert found.deviation == pytest.approx(peer.deviation, abs=1e-12)


@given(logs, st.floats(-0.5, 0.5))
def test_the_error_of_the_curve_drops_out(y, error):
    one, other = one_group(y), one_group([value + error for value in y])
    assert other.spread == pytest.approx(one.spread, abs=1e-7)
    assert other.deviation == pytest.approx(one.deviation, abs=1e-9)


def test_two_materials_tell_more_than_one_and_machines_count_once():
    rng, found = np.random.default_rng(6), []
    for _ in range(300):
        own = 0.03 * rng.standard_normal(6)
        y = np.concatenate([own + curve + 0.01 * rng.standard_normal(6) for curve in (0.02, -0.04)])
        told = machine_spread(
            group=[0] * 6 + [1] * 6, machine=[*range(6)] * 2, log_factor=y, standard_uncertainty=[0.01] * 12
        )
        assert told.machines == 6
        found.append(told.spread)
    assert math.sqrt(np.mean(np.square(found))) == pytest.approx(0.03, rel=0.1)


def test_what_the_uncertainties_explain_is_no_spread():
    assert one_group([0.01, -0.01, 0.0], 0.02).spread == 0


def test_below_three_machines_nothing_is_said_and_a_check_alone_tells_nothing():
    found = machine_spread(
        group=[0, 0, 1], machine=[0, 1, 2], log_factor=[0.0, 0.1, 0.3], standard_uncertainty=[0.01] * 3
    )
    assert (found.spread, found.machines, found.findings[0].code) == (None, 2, "few_machines")
    assert np.isnan(found.deviation).tolist() == [False, False, True]


@pytest.mark.parametrize(
    ("altered", "said"),
    [
        ({"log_factor": [0.0, 0.0, 9.0]}, "too far"),
        ({"log_factor": [0.0, 0.0, math.nan]}, "too far"),
        ({"standard_uncertainty": [0.01, 0.0, 0.01]}, "uncertainty"),
        ({"machine": [0, 0, 1]}, "two checks"),
        ({"group": [0, 0]}, "needs group"),
    ],
)
def test_columns_that_cannot_be_are_refused(altered, said):
    columns = {"group": [0] * 3, "machine": [0, 1, 2], "log_factor": [0.0] * 3, "standard_uncertainty": [0.01] * 3}
    with pytest.raises(CalibrationError, match=said):
        machine_spread(**columns | altered)
