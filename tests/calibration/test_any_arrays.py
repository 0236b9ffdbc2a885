"""Whatever arrays are thrown at a computation: it refuses them in full words, or answers with numbers."""

import dataclasses
import importlib
import inspect
import math
import pkgutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from catchpan_service import calibration
from catchpan_service.calibration import curve as curves
from catchpan_service.calibration.amounts import amounts
from catchpan_service.calibration.catch_plan import Session, catch_plan
from catchpan_service.calibration.catches import catches
from catchpan_service.calibration.check_catch import check_catch
from catchpan_service.calibration.check_series import check_series, cusum, ewma
from catchpan_service.calibration.commissioning import balance, impeller_speeds, scale_error
from catchpan_service.calibration.coverage import coverage
from catchpan_service.calibration.drag import drag_coefficient, terminal_velocity
from catchpan_service.calibration.edge import edge
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.field_check import field_check
from catchpan_service.calibration.flight import flights
from catchpan_service.calibration.flow_curve import fit_flow_curve
from catchpan_service.calibration.gate_stops import gate_stops
from catchpan_service.calibration.granules import granules
from catchpan_service.calibration.ground_speed import ground_speed
from catchpan_service.calibration.machine_comparison import machine_comparison
from catchpan_service.calibration.machine_spread import machine_spread
from catchpan_service.calibration.opening import opening_for_rate
from catchpan_service.calibration.outline import ground
from catchpan_service.calibration.overlap import overlap
from catchpan_service.calibration.pattern import Pattern, pattern, shape
from catchpan_service.calibration.prior import fleet_prior
from catchpan_service.calibration.provisional import provisional_curve
from catchpan_service.calibration.stand_off import share_beyond
from catchpan_service.calibration.throw import speed_for, throw_at, throw_law

ODD = (0.0, -0.0, 1.0, -1.0, 0.5, math.nan, math.inf, -math.inf, 1e308, -1e308, 5e-324, 1e-300, 1e-12, 1e12)


def numbers(low: float, high: float) -> st.SearchStrategy[float]:
    """Numbers that make sense, now and then an odd one."""
    good = st.floats(low, high)
    return st.one_of(good, good, good, st.sampled_from(ODD))


def columns(shapes: list[tuple[int, ...]], values: st.SearchStrategy[float]) -> st.SearchStrategy[np.ndarray]:
    """Arrays of some shapes."""
    return st.sampled_from(shapes).flatmap(
        lambda shape: st.lists(values, min_size=math.prod(shape), max_size=math.prod(shape)).map(
            lambda listed: np.array(listed, dtype=np.float64).reshape(shape)
        )
    )


def arrays(low: float, high: float) -> st.SearchStrategy[np.ndarray]:
    """A column that makes sense, mostly; else one with odd numbers in it, or of another shape."""
    good = columns([(4,)], st.floats(low, high))
    odd = columns([(4,)], numbers(low, high))
    wild = columns([(), (0,), (1,), (2,), (3,), (6,), (2, 2), (1, 4), (0, 3)], numbers(low, high))
    return st.integers(0, 9).flatmap(lambda k: odd if k == 8 else wild if k == 9 else good)


def ordered(low: float, high: float, *, falling: bool = False) -> st.SearchStrategy[np.ndarray]:
    """The same, often in order."""

    def sorted_(values: list[float]) -> np.ndarray:
        return np.array(sorted(values, reverse=falling))

    good = st.lists(st.floats(low, high), min_size=4, max_size=4, unique=True).map(sorted_)
    return st.integers(0, 5).flatmap(lambda k: arrays(low, high) if k == 5 else good)


def shares() -> st.SearchStrategy[np.ndarray]:
    """Shares that add up, mostly."""
    good = st.lists(st.floats(0.01, 1.0), min_size=5, max_size=5).map(lambda parts: np.array(parts) / sum(parts))
    return st.integers(0, 5).flatmap(lambda k: arrays(0.1, 0.3) if k == 5 else good)


CATCHES = {"opening": arrays(0.1, 1.0), "mass": arrays(0.1, 5.0), "duration": arrays(10.0, 90.0)}
FITTED = fit_flow_curve(
    catches(opening=[0.2, 0.3, 0.45, 0.6, 0.9], mass=[0.5, 0.9, 1.4, 1.8, 3.0], duration=[60, 50, 40, 30, 25])
).curve
KNOTS = fit_flow_curve(
    catches(opening=[0.2, 0.3, 0.45, 0.6, 0.9], mass=[0.5, 0.9, 1.4, 1.8, 3.0], duration=[60, 50, 40, 30, 25]),
    form="monotone",
).curve
LAW = throw_law(speed=[5.0, 7.5, 10.0], throw=[3.0, 4.4, 5.8])


def session(**columns: np.ndarray) -> Any:
    """Catches to a curve."""
    return fit_flow_curve(catches(**columns))


def pan_test(*, positions: np.ndarray, masses: np.ndarray, spacings: np.ndarray) -> Any:
    """Pans to pattern, shape and overlap."""
    measured = pattern(
        positions=positions, masses=masses, passes=[1] * len(np.atleast_1d(masses)),
        headings=["same"] * len(np.atleast_1d(masses)), pan_area=0.1,
    )  # fmt: skip
    return measured, shape(measured), overlap(measured, spacings=spacings)


def lent(*, opening: np.ndarray, mass: np.ndarray) -> Any:
    """A provisional curve from checks that are mostly near the borrowed one."""
    places = np.array([0.3, 0.3, 0.6, 0.6])
    with np.errstate(over="ignore", invalid="ignore"):
        caught = mass * 30.0 * curves.flow(FITTED, places) if mass.shape == (4,) else mass
    checked = catches(opening=places if opening.shape == (4,) else opening, mass=caught, duration=[30.0] * 4)
    return provisional_curve(FITTED, checked)


def spacings_only(*, spacings: np.ndarray, evaluation: str) -> Any:
    """A good pattern at any spacings."""
    return overlap(GOOD, spacings=spacings, evaluation=evaluation)


def fleet(*, dead_opening: np.ndarray, exponent: np.ndarray, size: np.ndarray) -> Any:
    """A prior from four materials."""
    own = [[[1e-4, 0.0], [0.0, 1e-2]]] * 4
    return fleet_prior(
        material=["a", "b", "c", "d"], dead_opening=dead_opening, exponent=exponent, covariance=own, size=size.ravel().tolist(),
        new_size=2.0,
    )  # fmt: skip


GOOD_RATE = np.array([0.0, 0.01, 0.02, 0.01, 0.0])
GOOD = Pattern(np.array([-2.0, -1, 0, 1, 2]), GOOD_RATE, None, 1, GOOD_RATE[None])


def mapped(*, x: np.ndarray, y: np.ndarray, hole: np.ndarray) -> Any:
    """A map of four corners in some order, or of what is no outline, with a hole that may lie anywhere."""
    outline = np.stack([x, y], axis=-1) if x.shape == y.shape else x
    holes = [np.stack([hole, hole[::-1]], axis=-1)] if hole.ndim == 1 else [hole]
    return coverage(GOOD, outline=outline, holes=holes, rate=0.02, pass_spacing=2.0, cell=0.5)


def plan(*, opening: np.ndarray, duration: np.ndarray) -> Any:
    """The next catches, after those so far."""
    return catch_plan(
        smallest_flow=0.01, largest_flow=0.05, session=Session(4.0, 20.0), known=FITTED, caught_opening=opening,
        caught_duration=duration, most=3,
    )  # fmt: skip


@dataclass(frozen=True)
class Thrown:
    """A computation, what is thrown at it, and which parts of its answer are declared to be NaN where there is none."""

    compute: Callable[..., Any]
    arguments: Mapping[str, st.SearchStrategy[Any]]
    none: frozenset[str] = field(default_factory=frozenset)
    covers: tuple[Callable[..., Any], ...] = ()

    @property
    def name(self) -> str:
        """What it is called."""
        return self.compute.__name__


def on_curve(function: Callable[..., Any], low: float, high: float) -> list[Thrown]:
    """A use of a fitted curve: NaN is declared, outside the knots and where nothing flows."""
    name = "flow" if function is curves.inverse else "opening"

    def of_law(values: np.ndarray) -> Any:
        return function(FITTED, values)

    def of_knots(values: np.ndarray) -> Any:
        return function(KNOTS, values)

    of_law.__name__, of_knots.__name__ = f"{function.__name__} of a law", f"{function.__name__} of knots ({name})"
    declared = frozenset({"answer"})
    return [Thrown(one, {"values": arrays(low, high)}, declared, (function,)) for one in (of_law, of_knots)]


OPENING_NONE = frozenset({
    "opening", "opening_interval", "rate_interval_this_machine", "rate_interval_any_machine", "set_opening",
    "rate_at_set_opening", "speed_range",
})  # fmt: skip

TABLE = (
    Thrown(session, CATCHES, covers=(catches, fit_flow_curve)),
    Thrown(lambda **c: check_catch(FITTED, catches(**c)), CATCHES, covers=(check_catch,)),
    Thrown(lent, {"opening": arrays(0.2, 0.9), "mass": arrays(0.98, 1.02)}, covers=(provisional_curve,)),
    Thrown(
        lambda **c: opening_for_rate(FITTED, opening_step=0.01, label_highest_rate=0.03, **c),
        {"rate": arrays(0.005, 0.03), "speed": arrays(0.5, 3.0), "laid_width": arrays(1.0, 6.0),
         "coverages": st.sampled_from([1, 2, np.array([1, 2, 1, 2]), np.array([1.5]), np.array([])]),
         "correction": arrays(0.92, 1.08)},
        OPENING_NONE, (opening_for_rate,),
    ),
    Thrown(
        field_check,
        {"used": arrays(10, 100), "rate": arrays(0.005, 0.03), "laid_width": arrays(1, 6),
         "distance": arrays(100, 9000), "area": arrays(100, 20000)},
    ),
    *on_curve(curves.flow, 0.0, 1.0), *on_curve(curves.slope, 0.0, 1.0), *on_curve(curves.log_slope, 0.0, 1.0),
    *on_curve(curves.inverse, 0.001, 0.1), *on_curve(curves.fit_variance, 0.0, 1.0),
    *on_curve(curves.log_covariance, 0.0, 1.0),
    Thrown(
        check_series, {"ratio": arrays(0.9, 1.1), "standard_uncertainty": arrays(0.01, 0.05)},
    ),
    Thrown(ewma, {"values": arrays(-3, 3), "target": numbers(-1, 1), "deviation": numbers(0.5, 2),
                  "weight": numbers(0.1, 1.0), "limit": numbers(2, 4)}),
    Thrown(cusum, {"values": arrays(-3, 3), "target": numbers(-1, 1), "slack": numbers(0.1, 1)}),
    Thrown(drag_coefficient, {"reynolds": arrays(0.1, 1e5)}),
    Thrown(terminal_velocity, {"diameter": arrays(5e-4, 5e-3), "particle_density": arrays(800, 2500)}),
    Thrown(
        flights,
        {"diameter": arrays(1e-3, 4e-3), "particle_density": arrays(1000, 2000), "release_speed": arrays(5, 30),
         "release_height": numbers(0.3, 1.0), "side": st.sampled_from([1, -1, 0, math.nan, np.array([1.0, -1.0, 1.0, -1.0])])},
    ),
    Thrown(gate_stops, {"closed": numbers(100, 300), "open_": numbers(800, 1000), "openings": arrays(0, 1),
                        "positions": arrays(100, 1000), "from_below": numbers(400, 500), "from_above": numbers(400, 500),
                        "previous_closed": numbers(100, 300), "previous_open": numbers(800, 1000)}),
    Thrown(
        granules, {"openings": ordered(0.001, 0.005, falling=True), "shares": shares()},
        frozenset({"d10", "d50", "d95", "size_guide_number", "uniformity_index"}),
    ),
    Thrown(ground_speed, {"distance": numbers(20, 100), "durations": arrays(10, 60), "pulses": arrays(50, 500)}),
    Thrown(
        machine_comparison,
        {"machine": st.one_of(st.just([0, 0, 1, 1]), st.lists(st.integers(-1, 3), max_size=5)), "opening": arrays(0.3, 0.3),
         "flow": arrays(0.01, 0.1)},
        frozenset({"between_spread_interval", "f"}),
    ),
    Thrown(
        machine_spread,
        {"group": st.just([0, 0, 0, 1]), "machine": st.one_of(st.just([0, 1, 2, 3]), st.lists(st.integers(-1, 3), max_size=5)),
         "log_factor": arrays(-0.1, 0.1), "standard_uncertainty": arrays(0.01, 0.03)},
        frozenset({"deviation"}),
    ),
    Thrown(pan_test, {"positions": ordered(-4, 4), "masses": arrays(0, 0.1).map(np.atleast_2d),
                      "spacings": arrays(1, 5)}, covers=(pattern, shape, overlap)),
    Thrown(spacings_only, {"spacings": arrays(1, 5), "evaluation": st.sampled_from(["continuous", "stations"])}),
    Thrown(fleet, {"dead_opening": arrays(0, 0.2), "exponent": arrays(1, 2.5), "size": arrays(1, 4)}, covers=(fleet_prior,)),
    Thrown(plan, {"opening": arrays(0.2, 0.9), "duration": arrays(10, 90)}, covers=(catch_plan,)),
    Thrown(lambda **c: share_beyond(GOOD, side="left", **c), {"distances": arrays(-1, 3)}, covers=(share_beyond,)),
    Thrown(
        lambda **c: edge(GOOD, side="left", **c), {"pass_spacing": numbers(2, 3), "distances": arrays(-1, 3)},
        covers=(edge,),
    ),
    Thrown(mapped, {"x": arrays(0, 30), "y": arrays(0, 30), "hole": arrays(10, 12)}, covers=(coverage, ground)),
    Thrown(throw_law, {"speed": arrays(4, 12), "throw": arrays(2, 8), "uncertainty": arrays(0.1, 0.3)}),
    Thrown(lambda **c: throw_at(LAW, **c), {"speed": arrays(4, 12)}, covers=(throw_at,)),
    Thrown(lambda **c: speed_for(LAW, **c), {"throw": arrays(2, 8)}, covers=(speed_for,)),
    Thrown(
        lambda nitrogen, area, rate: amounts(shares={"nitrogen": nitrogen}, area=area, rate=rate, bag_mass=22.7),
        {"nitrogen": numbers(0, 1), "area": numbers(100, 10000), "rate": numbers(0.005, 0.05)}, covers=(amounts,),
    ),
    Thrown(balance, {"left": arrays(0.5, 5), "right": arrays(0.5, 5)}),
    Thrown(impeller_speeds, {"panel": arrays(8, 12), "tachometer": arrays(8, 12)}),
    Thrown(scale_error, {"shown": arrays(4, 6), "weight": arrays(4, 6)}),
)  # fmt: skip


def floats(answer: Any, name: str = "answer") -> Any:
    """Every number of an answer with the name of the field that it stands in."""
    if dataclasses.is_dataclass(answer) and not isinstance(answer, type):
        for one in dataclasses.fields(answer):
            yield from floats(getattr(answer, one.name), one.name)
    elif isinstance(answer, dict):
        for key, value in answer.items():
            yield from floats(value, str(key))
    elif isinstance(answer, (tuple, list)):
        for value in answer:
            yield from floats(value, name)
    elif isinstance(answer, np.ndarray) and answer.dtype.kind == "f":
        yield from ((name, float(value)) for value in answer.ravel())
    elif isinstance(answer, float):
        yield name, answer


INFINITE = {"degrees_of_freedom"}
"""Fields that are declared infinite where a value was not estimated."""


def answered(thrown: Thrown, arguments: dict[str, Any]) -> tuple[Any, CalibrationError | None]:
    """The answer, or the refusal."""
    try:
        return thrown.compute(**arguments), None
    except CalibrationError as refusal:
        return None, refusal


@pytest.mark.parametrize(
    "thrown", TABLE, ids=lambda one: one.name + ("" if not one.covers else f"-{one.covers[0].__name__}")
)
def test_any_arrays_are_refused_in_full_words_or_answered_with_numbers(thrown):
    @settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
    @given(arguments=st.fixed_dictionaries(dict(thrown.arguments)))
    def throw(arguments):
        answer, refusal = answered(thrown, arguments)
        if refusal is not None:
            assert all((refusal.code, str(refusal), refusal.allowed)), refusal.code
        for name, value in floats(answer):
            assert math.isfinite(value) or name in thrown.none | INFINITE, (name, value)

    throw()


INSIDE = {
    "adjustment", "bounded", "check_air", "check_granule", "condition_findings", "covariance", "cv_bounds",
    "fit_flow_curves", "fit_knots", "grid_over", "lay", "folded_cv", "folds", "held_at", "joined", "knot_slopes", "lattice", "limited", "monotone",
    "monotone_inverse", "offset_power", "offset_power_inverse", "offset_power_log_gradient", "offset_power_slope",
    "overlap_cv", "reduced_drag", "search", "slowing", "station_field", "station_steps", "stations", "superpose", "together",
    "trapezoid_weights",
}  # fmt: skip
"""Formulas and steps that are handed what the functions of the table have checked: they are reached through those."""


def taking_arrays():
    """Names of the public functions of the layer that take arrays."""
    for module in pkgutil.iter_modules(calibration.__path__):
        names = vars(importlib.import_module(f"{calibration.__name__}.{module.name}"))
        for name, value in names.items():
            if name.startswith("_") or not inspect.isfunction(inspect.unwrap(value) if callable(value) else None):
                continue
            told = [str(one.annotation) for one in inspect.signature(value).parameters.values()]
            if any("Array" in one or "ndarray" in one for one in told):
                yield name


def test_every_function_that_takes_arrays_is_in_the_table_or_stands_behind_one_that_is():
    covered = {one.__name__ for thrown in TABLE for one in (thrown.compute, *thrown.covers)}
    assert set(taking_arrays()) - covered - INSIDE == set()
