"""Plans of catches: surer where crews work, within bucket and bag."""

import math

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from catchpan.contract.curves import Curve
from catchpan_service.calibration.catch_plan import LONGEST, PRIOR_PRECISION, SHORTEST, Session, catch_plan
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.examples.job import CURVE
from catchpan_service.si.curves import received
from tests.studies.plan import factors

LAW = received(msgspec.convert(CURVE, Curve))
SESSION = Session(bucket=4.5, bag=22)
WORK = {"smallest_flow": 0.02, "largest_flow": 0.12, "session": SESSION}


def test_planned_sessions_are_surer_than_evenly_spaced_ones():
    found = factors(materials=40)
    assert np.median(found) > 1.1
    assert np.quantile(found, 0.1) > 0.95


def test_what_a_plan_predicts_is_what_linear_propagation_gives():
    """Independently: information of the planned catches by the known law, inverted."""
    caught = {"caught_opening": [0.22, 0.38, 0.7], "caught_duration": [60, 30, 15]}
    found = catch_plan(**WORK, known=LAW, **caught, target=0.5)
    assert found.catches == ()
    scale, dead, exponent = LAW.flow_scale, LAW.dead_opening, LAW.exponent

    def gradient(x):
        return np.array([1, -exponent / (x - dead), math.log(x - dead)])

    information = PRIOR_PRECISION.copy()
    for x, t in zip(caught["caught_opening"], caught["caught_duration"], strict=True):
        mass = scale * (x - dead) ** exponent * t
        own = max(
            0.02**2, (SESSION.scale_readability / math.sqrt(6) / mass) ** 2 + (SESSION.timer_uncertainty / t) ** 2
        )
        information += np.outer(gradient(x), gradient(x)) / (own + (0.003 * exponent / (x - dead)) ** 2)
    at = [(q / scale) ** (1 / exponent) + dead for q in np.geomspace(0.02, 0.12, 9)]
    spread = np.linalg.inv(information)
    assert found.predicted == pytest.approx(max(math.sqrt(gradient(x) @ spread @ gradient(x)) for x in at), rel=1e-6)
    assert found.predicted_now == found.predicted


@settings(max_examples=15)
@given(st.floats(0.005, 0.05), st.floats(1.5, 8), st.floats(0.5, 8), st.floats(2, 40))
def test_every_plan_keeps_to_bucket_bag_and_watch(smallest, ratio, bucket, bag):
    found = catch_plan(smallest_flow=smallest, largest_flow=smallest * ratio, session=Session(bucket=bucket, bag=bag))
    assert all(SHORTEST / 3 - 1e-9 <= one.duration <= LONGEST for one in found.catches)
    assert all(
        one.duration == SHORTEST or one.expected_mass <= bucket * 1.25
        for one in found.catches
        if one.duration > SHORTEST
    )
    assert found.material == pytest.approx(sum(one.expected_mass for one in found.catches))
    openings = [one.opening for one in found.catches]
    assert openings == sorted(openings)
    if len(set(openings)) > 3:
        assert np.ptp(np.diff(sorted(set(openings)))) > 1e-3, "evenly spaced by habit"


def test_one_opening_is_caught_with_two_durations():
    found = catch_plan(**WORK)
    pairs = [one.duration for one in found.catches if [c.opening for c in found.catches].count(one.opening) > 1]
    assert max(pairs) >= 2.5 * min(pairs)


def test_more_knowledge_needs_fewer_catches_and_enough_is_enough():
    nothing = catch_plan(**WORK, target=0.03)
    some = catch_plan(
        **WORK, known=LAW, caught_opening=[0.2, 0.35, 0.35, 0.6], caught_duration=[90, 60, 60, 30], target=0.03
    )
    assert len(some.catches) < len(nothing.catches)
    assert some.predicted < some.predicted_now
    much = [0.2, 0.25, 0.3, 0.4, 0.5, 0.7] * 3
    enough = catch_plan(**WORK, known=LAW, caught_opening=much, caught_duration=[60] * 18, target=0.06)
    assert enough.catches == ()


def test_the_prediction_falls_with_every_catch_that_is_allowed():
    predicted = [catch_plan(**WORK, most=most, target=0.001).predicted for most in (4, 6, 8, 12)]
    assert predicted == sorted(predicted, reverse=True)


@pytest.mark.parametrize(
    ("wrong", "where"),
    [
        ({"smallest_flow": 0}, "smallest_flow"),
        ({"largest_flow": math.inf}, "largest_flow"),
        ({"smallest_flow": 0.2}, "smallest_flow"),
        ({"session": Session(bucket=0, bag=22)}, "bucket"),
        ({"session": Session(bucket=4, bag=math.nan)}, "bag"),
        ({"target": 0}, "target"),
        ({"most": 0}, "most"),
        ({"caught_opening": [0.3], "caught_duration": [30]}, "caught"),
        ({"caught_opening": [0.3], "known": LAW}, "caught"),
        ({"caught_opening": [1.3], "caught_duration": [30], "known": LAW}, "caught"),
        ({"smallest_flow": 50, "largest_flow": 60, "known": LAW}, "smallest_flow"),
    ],
)
def test_what_cannot_be_is_refused(wrong, where):
    with pytest.raises(CalibrationError) as caught:
        catch_plan(**WORK | wrong)
    assert caught.value.where == (where,)
    assert caught.value.allowed
