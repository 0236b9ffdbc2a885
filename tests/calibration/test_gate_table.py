"""Gate tables: fewest rows, true enough."""

from itertools import combinations

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from catchpan.contract.curves import Curve
from catchpan_service.calibration.curve import flow
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.gate_table import gate_table
from catchpan_service.examples.job import CURVE
from catchpan_service.si.curves import received

LAW = received(msgspec.convert(CURVE, Curve))


def worst(openings):
    """The largest relative miss of straight lines, on a fine grid."""
    fine = np.linspace(openings[0], openings[-1], 20001)
    return np.abs(np.interp(fine, openings, flow(LAW, np.array(openings))) / flow(LAW, fine) - 1).max()


def test_no_table_with_fewer_rows_is_as_true():
    found = gate_table(LAW, low=0.2, high=0.5, tolerance=0.02, step=0.02)
    candidates = [0.2 + 0.02 * k for k in range(16)]
    fewer = len(found.openings) - 1
    tried = [(0.2, *middle, 0.5) for middle in combinations(candidates[1:-1], fewer - 2)]
    assert len(tried) > 10
    assert min(worst(rows) for rows in tried) > 0.02
    same = [(0.2, *middle, 0.5) for middle in combinations(candidates[1:-1], fewer - 1)]
    assert worst(found.openings) == pytest.approx(min(worst(rows) for rows in same), rel=0.02)


@given(st.floats(0.14, 0.4), st.floats(0.05, 0.5), st.sampled_from([0.05, 0.02, 0.01, 0.005]))
def test_every_table_keeps_its_tolerance_or_uses_every_step(low, width, tolerance):
    found = gate_table(LAW, low=low, high=low + width, tolerance=tolerance)
    assert found.openings[0] == low
    assert found.openings[-1] == low + width
    assert (np.diff(found.openings) > 0).all()
    assert found.worst == pytest.approx(worst(found.openings), rel=0.05, abs=1e-5)
    steepest_step = max(worst(pair) for pair in zip(found.openings, found.openings[1:], strict=False)
                        if pair[1] - pair[0] < 0.0051) if (np.diff(found.openings) < 0.0051).any() else 0  # fmt: skip
    assert found.worst <= max(tolerance, steepest_step) + 1e-9


def test_a_tighter_tolerance_never_needs_fewer_rows():
    rows = [len(gate_table(LAW, low=0.2, high=0.9, tolerance=one).openings) for one in (0.1, 0.05, 0.02, 0.01, 0.005)]
    assert rows == sorted(rows)


@pytest.mark.parametrize(
    ("wrong", "where", "words"),
    [
        ({"tolerance": 0.0}, "tolerance", "cannot be met"),
        ({"low": 0.5, "high": 0.3}, "low", "not in order"),
        ({"step": 0.0}, "step", "step"),
        ({"step": 1e-5}, "step", "step"),
        ({"low": 0.05}, "low", "no flow"),
        ({"most_rows": 3, "tolerance": 0.001}, "most_rows", "rows"),
    ],
)
def test_what_cannot_be_is_refused(wrong, where, words):
    with pytest.raises(CalibrationError, match=words) as caught:
        gate_table(LAW, **{"low": 0.2, "high": 0.9, "tolerance": 0.01} | wrong)
    assert caught.value.where == (where,)
    assert caught.value.allowed
