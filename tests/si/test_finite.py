"""Answers hold finite numbers only."""

import math

import msgspec
import pytest

from catchpan.contract.amounts import BoomFlowRequest
from catchpan.contract.gate_stops import GateStopsRequest
from catchpan.contract.ground_speeds import GroundSpeedRequest
from catchpan.quantities import Volume
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.si import amounts, machines
from catchpan_service.si.finite import finite_each, finite_many, finite_one

USUAL = {
    "area": {"value": 1, "unit": "ft2"},
    "volume": {"value": 1, "unit": "gal"},
    "speed": {"value": 3, "unit": "mph"},
    "pass_spacing": {"value": 11, "unit": "ft"},
}
HUGE = USUAL | {"volume": {"value": 1e200, "unit": "gal"}, "speed": {"value": 1e100, "unit": "mph"}}


def endless_boom(request, system):
    """An answer with a number that JSON does not have."""
    return msgspec.structs.replace(amounts.solve_boom_flow(request, system), boom_each_minute=Volume(math.inf, "gal"))


def endless_gate(request, system):
    """The same, in a plain number."""
    return msgspec.structs.replace(machines.solve_gate_stops(request, system), gate_range=math.inf)


ASKED = [
    (endless_boom, BoomFlowRequest, USUAL, "boom_each_minute/value"),
    (endless_gate, GateStopsRequest, {"closed": 210, "open": 905, "side": "both"}, "gate_range"),
]


@pytest.mark.parametrize(
    ("solve", "kind", "asked", "code"),
    [
        (amounts.solve_boom_flow, BoomFlowRequest, HUGE, "bad_volume_per_area"),
        (
            machines.solve_gate_stops,
            GateStopsRequest,
            {"closed": -1.7e308, "open": 1.7e308, "side": "both"},
            "bad_closed",
        ),
    ],
)
def test_a_quantity_beyond_all_that_occurs_is_refused_by_name(solve, kind, asked, code):
    with pytest.raises(CalibrationError) as caught:
        finite_one(solve, msgspec.convert(asked, kind), "us")
    assert caught.value.code == code


@pytest.mark.parametrize(("solve", "kind", "asked", "place"), ASKED)
def test_a_number_beyond_all_numbers_is_a_problem_that_names_its_place(solve, kind, asked, place):
    request = msgspec.convert(asked, kind)
    with pytest.raises(CalibrationError, match=place) as caught:
        finite_one(solve, request, "us")
    assert caught.value.code == "beyond_numbers"
    (error,) = finite_each(solve, [request], "us")
    assert isinstance(error, CalibrationError)
    (error,) = finite_many(lambda asked, system: [solve(one, system) for one in asked], [request], "us")
    assert place in str(error)


def test_a_speed_beyond_all_numbers_raises_no_warning():
    request = msgspec.convert(
        {"distance": {"value": 1e300, "unit": "m"}, "durations": {"values": [1e-300, 1e-300], "unit": "s"}},
        GroundSpeedRequest,
    )
    (answer,) = finite_each(machines.solve_ground_speed, [request], "us")
    assert isinstance(answer, CalibrationError) or math.isfinite(answer.speed.value)
