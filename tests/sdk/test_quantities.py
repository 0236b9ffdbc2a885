"""Quantities: one table of units, exact factors, and the ways that people type a number and its unit."""

import inspect
import math
import re
from fractions import Fraction

import msgspec
import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from catchpan import quantities
from catchpan.errors import QuantityError
from catchpan.quantities import (
    DIMENSIONS,
    Area,
    Length,
    Mass,
    Rate,
    Ratio,
    Speed,
    Temperature,
    Time,
    declared_units,
    from_si,
    parse,
    units,
)

ARRAYS = [
    kind
    for _, kind in inspect.getmembers(quantities, inspect.isclass)
    if issubclass(kind, msgspec.Struct) and "values" in kind.__struct_fields__
]
EVERY_UNIT = [(kind, unit) for kind in DIMENSIONS for unit in units(kind)]
ids = [f"{kind.dimension} {unit}" for kind, unit in EVERY_UNIT]

# pint's own acre is that of the US survey; the international one is 43 560 of its feet squared.
IN_PINT = {
    "lb": "pound", "oz": "ounce", "kg": "kilogram", "g": "gram",
    "ft": "foot", "in": "inch", "m": "meter", "cm": "centimeter", "mm": "millimeter",
    "s": "second", "min": "minute", "h": "hour",
    "mph": "mile/hour", "ft/min": "foot/minute", "km/h": "kilometer/hour", "m/s": "meter/second",
    "lb/min": "pound/minute", "kg/min": "kilogram/minute", "g/s": "gram/second",
    "lb/1000ft2": "pound/(1000*foot**2)", "lb/ac": "pound/(43560*foot**2)", "oz/1000ft2": "ounce/(1000*foot**2)",
    "kg/ha": "kilogram/hectare", "g/m2": "gram/meter**2", "kg/100m2": "kilogram/(100*meter**2)",
    "lb/1000ft": "pound/(1000*foot)", "g/m": "gram/meter",
    "ft2": "foot**2", "ac": "43560*foot**2", "m2": "meter**2", "ha": "hectare",
    "gal": "gallon", "L": "liter", "%": "percent", "1": "dimensionless", "rpm": "turn/minute",
    "psi": "pound_force/inch**2", "kPa": "kilopascal", "bar": "bar",
    "lb/ft3": "pound/foot**3", "kg/m3": "kilogram/meter**3",
}  # fmt: skip
COHERENT = {
    "mass": "kilogram", "length": "meter", "time": "second", "speed": "meter/second", "flow": "kilogram/second",
    "rate": "kilogram/meter**2", "mass per length": "kilogram/meter", "area": "meter**2", "volume": "meter**3",
    "ratio": "dimensionless", "rotation": "turn/second", "density": "kilogram/meter**3", "pressure": "pascal",
}  # fmt: skip


@pytest.fixture(scope="module")
def registry():
    return pint.UnitRegistry(non_int_type=Fraction)


@pytest.mark.parametrize("kind", DIMENSIONS)
def test_the_table_of_units_and_the_declared_type_name_the_same_units(kind):
    assert declared_units(kind) == units(kind)
    assert set(kind.usual) == {"us", "si"}
    assert set(kind.usual.values()) <= set(units(kind))
    assert set(kind.offsets) <= set(units(kind))


@pytest.mark.parametrize("array", ARRAYS)
def test_an_array_takes_the_units_of_one_dimension(array):
    assert declared_units(array) in [units(kind) for kind in DIMENSIONS]


@pytest.mark.parametrize("kind", DIMENSIONS)
def test_the_schema_shows_every_unit_and_no_other(kind):
    shown = msgspec.json.schema(kind)["$defs"][kind.__name__]["properties"]["unit"]["enum"]
    assert sorted(shown) == sorted(units(kind))


def test_no_unit_belongs_to_two_dimensions():
    every = [unit for _, unit in EVERY_UNIT]
    assert len(every) == len(set(every))


@pytest.mark.parametrize(("kind", "unit"), [pair for pair in EVERY_UNIT if pair[1] in IN_PINT])
def test_factors_are_exactly_those_of_an_outside_library(kind, unit, registry):
    outside = registry.Quantity(Fraction(1), "dimensionless") * registry.parse_expression(IN_PINT[unit])
    assert kind.factors[unit] == outside.to(COHERENT[kind.dimension]).magnitude


def test_every_unit_but_those_of_angle_and_temperature_is_checked_exactly():
    assert {unit for _, unit in EVERY_UNIT} - set(IN_PINT) == {"deg", "degF", "degC"}


def test_the_degree_is_that_of_an_outside_library(registry):
    degree = next(kind for kind in DIMENSIONS if kind.dimension == "angle")
    assert float(degree.factors["deg"]) == float(registry.parse_expression("degree").to("radian").magnitude)


@pytest.mark.parametrize("unit", ["degF", "degC"])
@pytest.mark.parametrize("value", [-40, 0, 32, 212])
def test_temperatures_are_those_of_an_outside_library(unit, value, registry):
    outside = registry.Quantity(Fraction(value), unit).to("kelvin").magnitude
    assert Temperature(float(value), unit).si == pytest.approx(float(outside), rel=1e-15)


def test_the_acre_is_the_international_one_and_not_that_of_the_survey(registry):
    survey = registry.parse_expression("acre").to("foot**2").magnitude
    assert Area.factors["ac"] == 43_560 * Area.factors["ft2"]
    assert float(survey) == pytest.approx(43_560.174, abs=5e-4)
    assert Area(1.0, "ac").to("ft2") == 43_560.0


def test_a_unit_of_another_dimension_is_refused_and_the_allowed_are_named():
    with pytest.raises(
        QuantityError, match=re.escape("'ft' is a unit of length, not of mass; allowed for mass: lb, oz, kg, g")
    ):
        Mass(1.0, "lb").to("ft")
    with pytest.raises(QuantityError, match=re.escape("'stone' is not a known unit; allowed for mass: lb, oz, kg, g")):
        Mass(1.0, "lb").to("stone")


TYPED = [
    (Mass, "4 lb 6 oz", Mass(4.375, "lb")),
    (Mass, "4lb 6oz", Mass(4.375, "lb")),
    (Mass, "0 lb 15.5 oz", Mass(0.96875, "lb")),
    (Mass, " 2.5 kg ", Mass(2.5, "kg")),
    (Mass, ".5 g", Mass(0.5, "g")),
    (Mass, "-1 oz", Mass(-1.0, "oz")),
    (Mass, "1e3 g", Mass(1000.0, "g")),
    (Length, "11 ft", Length(11.0, "ft")),
    (Length, "5 ft 6 in", Length(5.5, "ft")),
    (Time, "1:30", Time(90.0, "s")),
    (Time, "0:07.5", Time(7.5, "s")),
    (Time, "90:00", Time(5400.0, "s")),
    (Time, "1:02:03", Time(3723.0, "s")),
    (Time, "1 min 30 s", Time(1.5, "min")),
    (Time, "1 h 15 min", Time(1.25, "h")),
    (Rate, "2.8 lb/1000ft2", Rate(2.8, "lb/1000ft2")),
    (Rate, "2.8lb/ac", Rate(2.8, "lb/ac")),
    (Speed, "3.5mph", Speed(3.5, "mph")),
    (Speed, "300 ft/min", Speed(300.0, "ft/min")),
    (Ratio, "40 %", Ratio(40.0, "%")),
    (Ratio, "40%", Ratio(40.0, "%")),
]


@pytest.mark.parametrize(("kind", "text", "meant"), TYPED)
def test_a_quantity_is_read_as_people_type_it(kind, text, meant):
    assert parse(kind, text) == meant


def test_a_bare_number_takes_the_unit_of_its_column_and_an_own_unit_comes_first():
    assert parse(Mass, "4.2", "lb") == Mass(4.2, "lb")
    assert parse(Mass, "4.2 kg", "lb") == Mass(4.2, "kg")
    assert parse(Ratio, "0.5", "1") == Ratio(0.5, "1")
    assert parse(Time, "1:30", "min") == Time(90.0, "s")


REFUSED = [
    (Mass, "4.2", "'4.2' has no unit: write it as a number and a unit, one of lb, oz, kg, g"),
    (Mass, "", "'' is no mass: write a number and a unit, one of lb, oz, kg, g"),
    (Mass, "lb", "'lb' is no mass: write a number and a unit, one of lb, oz, kg, g"),
    (Mass, "heavy", "'heavy' is no mass: write a number and a unit, one of lb, oz, kg, g"),
    (Mass, "nan lb", "'nan lb' is no mass: write a number and a unit, one of lb, oz, kg, g"),
    (Mass, "inf lb", "'inf lb' is no mass: write a number and a unit, one of lb, oz, kg, g"),
    (Mass, "1e999 lb", "'1e999 lb' is no mass: write a number and a unit, one of lb, oz, kg, g"),
    (Mass, "1e200 lb", "'1e200 lb' is no mass: write a number and a unit, one of lb, oz, kg, g"),
    (Mass, "4 stone", "'stone' is not a known unit; allowed for mass: lb, oz, kg, g"),
    (Mass, "4 LB", "'LB' is not a known unit; allowed for mass: lb, oz, kg, g"),
    (Mass, "4 ft", "'ft' is a unit of length, not of mass; allowed for mass: lb, oz, kg, g"),
    (Mass, "4,2 lb", "'4,2 lb': write the number with a decimal point and no thousands comma"),
    (Mass, "1,000 lb", "'1,000 lb': write the number with a decimal point and no thousands comma"),
    (Mass, "1 000 lb", "'1 000 lb' is no mass: write one number and one unit, one of lb, oz, kg, g"),
    (Mass, "4 lb 16 oz", "'4 lb 16 oz': 16 oz is a whole lb or more"),
    (Mass, "4 lb -6 oz", "'4 lb -6 oz' is no mass: write one number and one unit, one of lb, oz, kg, g"),
    (Mass, "6 oz 4 lb", "'6 oz 4 lb' is no mass: write one number and one unit, one of lb, oz, kg, g"),
    (Mass, "1 lb 2 oz 3 g", "'1 lb 2 oz 3 g' is no mass: write one number and one unit, one of lb, oz, kg, g"),
    (Mass, "5 ft 6 in", "'ft' is a unit of length, not of mass; allowed for mass: lb, oz, kg, g"),
    (Mass, "1:30", "':30' is not a known unit; allowed for mass: lb, oz, kg, g"),
    (Time, "1:75", "':75' is not a known unit; allowed for time: s, min, h"),
    (Time, "1:75:30", "':75:30' is not a known unit; allowed for time: s, min, h"),
    (Time, "-1:30", "':30' is not a known unit; allowed for time: s, min, h"),
    (Time, "1.30", "'1.30' has no unit: write it as a number and a unit, one of s, min, h"),
    (Length, "11'", '"\'" is not a known unit; allowed for length: ft, in, m, cm, mm'),
]


@pytest.mark.parametrize(("kind", "text", "message"), REFUSED)
def test_what_cannot_be_meant_is_refused_with_what_is_allowed(kind, text, message):
    with pytest.raises(QuantityError) as refusal:
        parse(kind, text)
    assert str(refusal.value) == message


@pytest.mark.parametrize("unit", ["ft", "", "stone"])
def test_a_column_in_a_unit_of_something_else_is_refused(unit):
    with pytest.raises(QuantityError, match=re.escape("allowed for mass: lb, oz, kg, g")):
        parse(Mass, "4.2", unit)


values = st.floats(-1e12, 1e12, allow_subnormal=False)


@given(st.sampled_from(EVERY_UNIT), values)
def test_text_and_back_is_the_same_quantity(pair, value):
    kind, unit = pair
    if unit == "1":
        assert parse(kind, repr(value), unit) == kind(value, unit)
    else:
        assert parse(kind, f"{value!r} {unit}") == kind(value, unit)


@given(st.sampled_from(EVERY_UNIT), st.data(), values)
def test_another_unit_and_back_is_the_same_value(pair, data, value):
    kind, unit = pair
    other = data.draw(st.sampled_from(units(kind)))
    there = kind(value, unit).to(other)
    back = kind(there, other).to(unit)
    assert math.isclose(back, value, rel_tol=1e-15 * 4, abs_tol=1e-12 if kind.offsets else 0)


@given(st.sampled_from(EVERY_UNIT), values)
def test_si_and_back_is_the_same_value(pair, value):
    kind, unit = pair
    assert math.isclose(
        from_si(kind, kind(value, unit).si, unit), value, rel_tol=1e-15 * 4, abs_tol=1e-12 if kind.offsets else 1e-290
    )


@given(st.sampled_from(EVERY_UNIT), values)
def test_json_and_back_is_the_same_quantity(pair, value):
    kind, unit = pair
    assert msgspec.json.decode(msgspec.json.encode(kind(value, unit)), type=kind) == kind(value, unit)


@given(st.integers(0, 400), st.integers(0, 15))
def test_pounds_and_ounces_are_sixteenths_of_a_pound(pounds, ounces):
    assert parse(Mass, f"{pounds} lb {ounces} oz").to("oz") == 16 * pounds + ounces


@given(st.integers(0, 999), st.integers(0, 59))
def test_minutes_and_seconds_are_sixtieths_of_a_minute(minutes, seconds):
    assert parse(Time, f"{minutes}:{seconds:02}") == Time(60.0 * minutes + seconds, "s")


@given(st.text())
def test_any_text_is_read_or_refused_and_nothing_else(text):
    for kind in (Mass, Time, Ratio):
        try:
            read = parse(kind, text, units(kind)[0])
        except QuantityError:
            continue
        assert math.isfinite(read.value)


@pytest.mark.parametrize(
    ("quantity", "told"),
    [
        (Mass(4.375, "lb"), "4.375 lb"),
        (Ratio(0.25, "1"), "0.25"),
        (Ratio(40.0, "%"), "40 %"),
        (Rate(1.23456789, "kg/ha"), "1.23457 kg/ha"),
    ],
)
def test_a_quantity_is_told_with_its_unit(quantity, told):
    assert str(quantity) == told
