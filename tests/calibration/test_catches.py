"""Catches and the uncertainty model: what is refused, by name and number."""

import math

import numpy as np
import pytest

from catchpan_service.calibration.catches import UncertaintyModel, catches, uncertainty_model
from catchpan_service.calibration.errors import CalibrationError

GOOD = {"opening": [0.2, 0.4], "mass": [1.0, 2.0], "duration": [30.0, 20.0]}


@pytest.mark.parametrize(
    ("name", "value", "code", "words"),
    [
        ("duration", 0.0, "bad_duration", "catch 2: duration is 0.0; allowed is a finite duration above zero"),
        ("duration", -3.0, "bad_duration", "catch 2: duration is -3.0"),
        ("duration", math.nan, "bad_duration", "catch 2: duration is nan"),
        ("duration", math.inf, "bad_duration", "catch 2: duration is inf"),
        ("opening", 1.01, "bad_opening", "catch 2: opening is 1.01; allowed is an opening from 0 to 1"),
        ("opening", -0.1, "bad_opening", "catch 2: opening is -0.1"),
        ("opening", math.nan, "bad_opening", "catch 2: opening is nan"),
        ("opening", 0.0, "bad_opening", "an opening above 0 where material was caught"),
        ("mass", -1.0, "bad_mass", "catch 2: mass is -1.0; allowed is a finite mass, not negative"),
        ("mass", math.nan, "bad_mass", "catch 2: mass is nan"),
        ("mass", math.inf, "bad_mass", "catch 2: mass is inf"),
        ("mass", 0.0, "bad_mass", "a mass above zero, unless the stream stopped"),
    ],
)
def test_a_number_that_cannot_be_is_refused_with_its_place(name, value, code, words):
    columns = GOOD | {name: [GOOD[name][0], value]}
    with pytest.raises(CalibrationError, match=words) as refused:
        catches(**columns)
    assert refused.value.code == code
    assert refused.value.where == ("catches", 1, name)
    assert refused.value.given is not None
    assert refused.value.allowed


@pytest.mark.parametrize(
    ("name", "values", "words"),
    [
        ("stream", ["steady", "gushing"], "steady, pulsing or stopped"),
        ("gates", ["both", "middle"], "both, left or right"),
        ("weighings", [1, 3], "1, or 2 where gross and tare were weighed"),
    ],
)
def test_a_word_that_is_not_in_the_list_is_refused_with_the_list(name, values, words):
    with pytest.raises(CalibrationError, match=words) as refused:
        catches(**GOOD, **{name: values})
    assert refused.value.where == ("catches", 1, name)


def test_columns_of_different_length_are_refused():
    with pytest.raises(CalibrationError, match="mass has 3 values where opening has 2") as refused:
        catches(**GOOD | {"mass": [1, 2, 3]})
    assert refused.value.where == ("mass",)


def test_nothing_may_be_caught_where_the_stream_stopped():
    session = catches(opening=[0.0, 0.1], mass=[0.0, 0.0], duration=[10, 10], stream=["stopped", "stopped"])
    assert session.stream == ("stopped", "stopped")


def test_catches_keep_their_own_copy():
    mass = np.array([1.0, 2.0])
    session = catches(**GOOD | {"mass": mass})
    mass[0] = 9.0
    assert session.mass[0] == 1.0


def test_what_is_not_given_is_named_as_assumed():
    assert uncertainty_model() == UncertaintyModel()
    model = uncertainty_model(timer_uncertainty=0.02, shared_uncertainty=0.001)
    assert model.assumed == ("scale_readability", "opening_uncertainty")
    assert (model.timer_uncertainty, model.shared_uncertainty) == (0.02, 0.001)


@pytest.mark.parametrize("value", [-0.001, math.nan, math.inf])
@pytest.mark.parametrize("name", ["scale_readability", "timer_uncertainty", "opening_uncertainty", "repeatability"])
def test_an_uncertainty_that_cannot_be_is_refused_by_name(name, value):
    with pytest.raises(CalibrationError, match=f"{name} is {value!r}") as refused:
        uncertainty_model(**{name: value})
    assert refused.value.where == (name,)
