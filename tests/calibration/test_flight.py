"""Drag, flight and vanes: against closed forms, another library and another integration."""

import math

import fluids
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from catchpan_service.calibration.drag import (
    AIR_DENSITY,
    AIR_VISCOSITY,
    GRAVITY,
    drag_coefficient,
    slowing,
    terminal_velocity,
)
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.flight import first_speed, flights, granule_sizes, release

AIR = {"rho": AIR_DENSITY, "mu": AIR_VISCOSITY}


def thrown(**changes):
    usual = {"diameter": 0.002, "particle_density": 1300.0, "release_speed": 12.0, "release_height": 0.5}
    return flights(**(usual | changes))


@given(st.floats(1e-3, 1e5))
def test_drag_is_that_of_another_library(reynolds):
    assert float(drag_coefficient(reynolds)) == pytest.approx(fluids.drag.Haider_Levenspiel(reynolds), rel=1e-12)


@given(st.floats(3e-4, 0.01), st.floats(600, 3000))
def test_terminal_velocity_is_that_of_another_library(diameter, density):
    theirs = fluids.v_terminal(D=diameter, rhop=density, Method="Haider_Levenspiel", **AIR)
    assert float(terminal_velocity(diameter=diameter, particle_density=density)) == pytest.approx(theirs, rel=1e-6)


def test_dust_falls_by_stokes():
    stokes = (500 - AIR_DENSITY) * GRAVITY * 9e-8 / (18 * 1e-4)
    found = terminal_velocity(diameter=3e-4, particle_density=500.0, air_viscosity=1e-4)
    assert float(found) == pytest.approx(stokes, rel=0.25)
    assert float(slowing(np.array(0.0), diameter=1e-4, particle_density=1000.0)) == pytest.approx(
        18 * AIR_VISCOSITY / (1000 * 1e-8), rel=1e-12
    )


def test_deceleration_is_that_of_another_library():
    """Thrown straight down, gravity helping: what the other library integrates."""
    theirs = fluids.integrate_drag_sphere(
        D=0.003, rhop=1300, V=30, t=0.5, distance=True, Method="Haider_Levenspiel", **AIR
    )

    def rise(_time, state):
        drag = float(slowing(np.array(state[1]), diameter=0.003, particle_density=1300.0)) * state[1]
        return [state[1], GRAVITY * (1 - AIR_DENSITY / 1300) - drag]

    ours = solve_ivp(rise, (0, 0.5), [0.0, 30.0], rtol=1e-10, atol=1e-10).y[:, -1]
    assert (ours[1], ours[0]) == pytest.approx(theirs, rel=1e-6)


@pytest.mark.parametrize("angle", [0.0, 0.3, -0.3])
def test_without_air_the_flight_is_a_parabola(angle):
    """Heavy granules: range v cos a (v sin a + sqrt(v² sin² a + 2 g h)) / g."""
    up, level = 12 * math.sin(angle), 12 * math.cos(angle)
    time = (up + math.sqrt(up**2 + 2 * GRAVITY * 0.5)) / GRAVITY
    found = thrown(diameter=0.02, particle_density=2e4, release_angle=angle, air_density=0.1, air_viscosity=1e-6)
    assert (float(found.across), float(found.time)) == pytest.approx((level * time, time), rel=1e-3)


@settings(max_examples=15, deadline=None)
@given(st.floats(0.0005, 0.006), st.floats(2, 30), st.floats(-0.5, 1.0), st.floats(-8, 8), st.floats(-8, 8))
def test_one_flight_is_that_of_another_integration(diameter, speed, angle, head, cross):
    wind = np.array([cross, -head, 0.0])

    def rise(_time, state):
        against = state[3:] - wind
        drag = fluids.drag.Haider_Levenspiel(
            max(AIR_DENSITY * np.linalg.norm(against) * diameter / AIR_VISCOSITY, 1e-9)
        )
        pull = 0.75 * AIR_DENSITY / 1300 * drag / diameter * np.linalg.norm(against) * against
        return [*state[3:], *(-pull - np.array([0, 0, GRAVITY * (1 - AIR_DENSITY / 1300)]))]

    def ground(_time, state):
        return state[2]

    ground.terminal, ground.direction = True, -1
    begin = [0, 0, 0.5, -speed * math.cos(angle), 0, speed * math.sin(angle)]
    end = solve_ivp(rise, (0, 30), begin, "LSODA", events=ground, rtol=1e-9, atol=1e-10)
    found = thrown(
        diameter=diameter, release_speed=speed, release_angle=angle, side=-1.0, head_wind=head, cross_wind=cross
    )
    assert float(found.time) == pytest.approx(end.t_events[0][0], rel=1e-5)
    assert (float(found.across), float(found.along)) == pytest.approx(tuple(end.y_events[0][0][:2]), rel=1e-4, abs=1e-5)


def test_many_at_once_are_as_one_after_another():
    sizes, angles = np.array([0.001, 0.0022, 0.004]), np.array([-0.2, 0.1, 0.9])
    many = thrown(diameter=sizes[:, None], release_angle=angles, cross_wind=3.0)
    for place in np.ndindex(3, 3):
        one = thrown(diameter=sizes[place[0]], release_angle=angles[place[1]], cross_wind=3.0)
        for name in ("across", "along", "time", "speed"):
            assert getattr(many, name)[place] == pytest.approx(float(getattr(one, name)), rel=1e-7, abs=1e-9)


@settings(max_examples=20, deadline=None)
@given(st.floats(0.0005, 0.006), st.floats(2, 30), st.floats(-10, 10))
def test_mirrored_wind_mirrors_the_landing(diameter, speed, cross):
    right = thrown(diameter=diameter, release_speed=speed, cross_wind=cross)
    left = thrown(diameter=diameter, release_speed=speed, cross_wind=-cross, side=-1.0)
    assert float(left.across) == pytest.approx(-float(right.across), rel=1e-9, abs=1e-9)


def test_coarse_granules_fly_further_and_drift_less():
    sizes = np.linspace(0.001, 0.005, 9)
    still, blown = thrown(diameter=sizes), thrown(diameter=sizes, cross_wind=4.0)
    assert (np.diff(still.across) > 0).all()
    assert (np.diff(blown.across - still.across) < 0).all()


def test_a_head_wind_throws_back():
    assert float(thrown(head_wind=5.0).along) < 0 < float(thrown(head_wind=-5.0).along)


@pytest.mark.parametrize(("angle", "friction"), [(0.0, 0.0), (0.0, 0.3), (0.35, 0.3), (-0.35, 0.4)])
def test_a_granule_leaves_the_vane_as_its_equation_of_motion_says(angle, friction):
    """Integrated along a straight vane from a feed near the middle: s'' = w² s - 2 m w s' - m w² R sin b."""
    radius, turning = 0.2, 60.0
    lean = friction * turning**2 * radius * math.sin(angle)

    def rise(_time, state):
        return [state[1], turning**2 * state[0] - 2 * friction * turning * state[1] - lean]

    def rim(_time, state):
        return state[0] - radius * math.cos(angle)

    rim.terminal = True
    at_rest = friction * radius * math.sin(angle)
    end = solve_ivp(rise, (0, 2), [at_rest + 1e-6, 0.0], events=rim, rtol=1e-11, atol=1e-13).y_events[0][0]
    outward, forward = end[1] * math.cos(angle), turning * radius + end[1] * math.sin(angle)
    found = release(disc_diameter=0.4, impeller_speed=turning / (2 * math.pi), vane_angle=angle, vane_friction=friction)
    assert found.speed == pytest.approx(math.hypot(outward, forward), rel=1e-6)
    assert found.reach == pytest.approx(radius * outward / math.hypot(outward, forward), rel=1e-6)


@pytest.mark.parametrize("wanted", [2.0, 4.0, 8.0])
def test_the_first_guess_throws_as_far_as_wanted(wanted):
    disc = {"disc_diameter": 0.4, "vane_angle": 0.1}
    speed = first_speed(wanted_throw=wanted, diameter=0.002, particle_density=1300.0, release_height=0.5, **disc)
    leaves = release(impeller_speed=speed, **disc)
    assert float(thrown(release_speed=leaves.speed).across) + leaves.reach == pytest.approx(wanted, rel=1e-7)


@given(st.floats(80, 300), st.floats(20, 95))
def test_sizes_give_their_guide_number_and_index_again(guide, index):
    coarse, middle, fine = granule_sizes(size_guide_number=guide, uniformity_index=index)
    assert 1e5 * middle == pytest.approx(guide, rel=1e-12)
    assert 100 * fine / coarse == pytest.approx(index, rel=1e-9)


@pytest.mark.parametrize(
    ("changes", "code", "where"),
    [
        ({"diameter": 0.0}, "bad_diameter", ("diameter",)),
        ({"diameter": [0.002, 0.05]}, "bad_diameter", ("diameter", 1)),
        ({"particle_density": math.nan}, "bad_particle_density", ("particle_density",)),
        ({"release_speed": 0.0}, "bad_release_speed", ("release_speed",)),
        ({"release_height": -0.1}, "bad_release_height", ("release_height",)),
        ({"release_angle": 1.5}, "bad_release_angle", ("release_angle",)),
        ({"head_wind": math.inf}, "bad_head_wind", ("head_wind",)),
        ({"cross_wind": 80.0}, "bad_cross_wind", ("cross_wind",)),
        ({"air_density": 0.0}, "bad_air_density", ("air_density",)),
        ({"air_viscosity": 1.0}, "bad_air_viscosity", ("air_viscosity",)),
        ({"diameter": [0.001, 0.002], "release_angle": [0.0, 0.1, 0.2]}, "wrong_shape", ("diameter",)),
        ({"diameter": np.full(201, 0.002)}, "too_many_flights", ()),
    ],
)
def test_flights_that_cannot_be_are_refused(changes, code, where):
    with pytest.raises(CalibrationError) as refused:
        thrown(**changes)
    assert (refused.value.code, refused.value.where) == (code, where)
    assert refused.value.allowed


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"wanted_throw": 150.0}, "throw_out_of_reach"),
        ({"wanted_throw": 0.1}, "throw_out_of_reach"),
        ({"disc_diameter": 0.0}, "bad_disc_diameter"),
        ({"vane_angle": 1.2}, "bad_vane_angle"),
        ({"vane_angle": 1.0, "vane_friction": 0.9}, "bad_vane_angle"),
        ({"vane_friction": 1.5}, "bad_vane_friction"),
    ],
)
def test_a_first_guess_that_cannot_be_is_refused(changes, code):
    usual = {"wanted_throw": 4.0, "diameter": 0.002, "particle_density": 1300.0, "disc_diameter": 0.4}
    with pytest.raises(CalibrationError) as refused:
        first_speed(**(usual | {"release_height": 0.5} | changes))
    assert refused.value.code == code


@settings(max_examples=60, deadline=None)
@given(*[st.floats() | st.floats(1e-4, 40)] * 4, st.floats(-2, 2))
def test_any_numbers_fly_or_are_refused(diameter, density, speed, height, angle):
    try:
        found = flights(
            diameter=diameter,
            particle_density=density * 50,
            release_speed=speed,
            release_height=height / 4,
            release_angle=angle,
        )
    except CalibrationError:
        return
    assert np.isfinite([float(found.across), float(found.time), float(found.speed)]).all()
