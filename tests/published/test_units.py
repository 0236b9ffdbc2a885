"""Units against printed constants and worked examples of bulletins; each case names its source."""

from fractions import Fraction

import pytest

from catchpan.quantities import Area, Density, Flow, Length, Mass, Rate, Speed, Time, Volume, from_si, parse


def rate(mass, area, unit):
    return from_si(Rate, mass.si / area, unit)


@pytest.mark.parametrize(
    ("quantity", "unit", "printed"),
    [
        # Exact definitions; NIST Special Publication 811, Appendix B (values from memory).
        (Mass(1, "lb"), "kg", 0.45359237),
        (Mass(1, "lb"), "oz", 16.0),
        (Length(1, "ft"), "m", 0.3048),
        (Length(1, "ft"), "in", 12.0),
        (Speed(1, "mph"), "m/s", 0.44704),
        (Volume(1, "gal"), "L", 3.785411784),
        (Area(1, "ac"), "m2", 4046.8564224),
        (Area(1, "ac"), "ft2", 43560.0),
        # mph = ft × 60 / (s × 88), widely printed: 1 mph is 88 ft/min.
        (Speed(1, "mph"), "ft/min", 88.0),
        # lb/acre = lb/1000 ft² × 43.56, printed by several bulletins.
        (Rate(1, "lb/1000ft2"), "lb/ac", 43.56),
        (Rate(1, "oz/1000ft2"), "lb/1000ft2", 0.0625),
        (Rate(1, "kg/100m2"), "kg/ha", 100.0),
        (Rate(1, "g/m2"), "kg/ha", 10.0),
    ],
)
def test_exact_conversions_are_met_to_the_last_digit(quantity, unit, printed):
    assert quantity.to(unit) == printed


@pytest.mark.parametrize(
    ("quantity", "unit", "computed", "decimals"),
    [
        # Products of the exact definitions of NIST SP 811, computed independently and checked with pint 0.25.3.
        (Rate(1, "lb/1000ft2"), "g/m2", 4.882427636383, 12),
        (Rate(1, "lb/1000ft2"), "kg/ha", 48.82427636383, 11),
        (Rate(1, "oz/1000ft2"), "g/m2", 0.305151727, 9),
        (Rate(1, "lb/ac"), "kg/ha", 1.1208511562, 10),
        (Flow(1, "lb/min"), "g/s", 7.559872833, 9),
        (Density(1, "lb/ft3"), "kg/m3", 16.018463374, 9),
        # Printed two- and three-digit tables: NHTSA's SI page (ft, ac, lb, gal).
        (Length(1, "ft"), "m", 0.305, 3),
        (Area(1, "ac"), "ha", 0.405, 3),
        (Mass(1, "lb"), "kg", 0.454, 3),
        (Volume(1, "gal"), "L", 3.785, 3),
        # Upper Canada District School Board, ucdsb.on.ca, conversion table.
        (Area(1, "ac"), "ha", 0.4046856, 7),
        (Speed(1, "mph"), "m/s", 0.44704, 5),
    ],
)
def test_printed_conversions_are_met_to_their_last_digit(quantity, unit, computed, decimals):
    assert round(quantity.to(unit), decimals) == computed


def test_the_acre_of_the_survey_is_another_one():
    # NIST SP 811 prints 4.046 873 E+03 m² for the acre of the US survey foot (from memory); ours is 4 parts in 10⁶ less.
    assert Area(1, "ac").to("m2") / 4046.873 - 1 == pytest.approx(-4.1e-6, abs=1e-7)


def test_acres_for_each_minute():
    # US Army TM 5-3740-218-13P: acres/min = mph × swath [ft] × 0.0020202; 1/495 exactly.
    swept = Fraction(1) * Speed.factors["mph"] * Length.factors["ft"] * Time.factors["min"] / Area.factors["ac"]
    assert swept == Fraction(1, 495)
    assert round(float(swept), 7) == 0.0020202


def test_acres_for_each_hour():
    # Univ. of Kentucky AEN-73 (Hancock, Swetnam, Benson 1991): acres/h = ft × mph / 8.25.
    swept = Speed.factors["mph"] * Length.factors["ft"] * Time.factors["h"] / Area.factors["ac"]
    assert swept == 1 / Fraction("8.25")


@pytest.mark.parametrize(("unit", "constant"), [("ft", 495), ("in", 5940)])
def test_gallons_for_each_acre(unit, constant):
    # Mesa County (Colorado) weed office: GPA = GPM × 495 / (mph × ft) = GPM × 5940 / (mph × in).
    laid = Volume.factors["gal"] / Time.factors["min"] / (Speed.factors["mph"] * Length.factors[unit])
    assert laid / (Volume.factors["gal"] / Area.factors["ac"]) == constant


def test_kilograms_for_each_hectare():
    # "Calibración de fertilizadoras", scribd 504491392: kg/ha = 600 × kg/min / (width [m] × km/h).
    laid = Flow.factors["kg/min"] / (Length.factors["m"] * Speed.factors["km/h"])
    assert laid / Rate.factors["kg/ha"] == 600


def test_a_course_of_two_hundred_feet_at_three_miles_an_hour():
    # North Carolina State Univ. turf calibration bulletin: a course of 200 ft; its time computed, 45.45 s.
    assert Length(200, "ft").si / Speed(3, "mph").si == pytest.approx(45.4545, abs=5e-5)


def test_a_weighed_back_bait_spreader():
    # eXtension, "Example: Calibrating a Fire Ant Bait Spreader", 2007: 1.77 lb/acre (the print truncates 1.7755).
    used = Mass(Mass(32, "oz").si - Mass(29, "oz").si, "kg")
    laid = rate(used, Length(200, "ft").si * Length(23, "ft").si, "lb/ac")
    assert used.to("lb") == pytest.approx(0.1875, rel=1e-15)
    assert int(laid * 100) / 100 == 1.77


def test_wheels_turned_on_the_stand():
    # Univ. of Florida (IFAS) dry-chemical applicator sheet, Table 2: 43 turns of 9 ft, 8 ft wide, 20 lb: 277 lb/acre by
    # the rule of 1000, which reads 1.3 % low; by true area 281.40.
    turned = Length(43 * 9, "ft").si * Length(8, "ft").si
    assert rate(Mass(20, "lb"), turned, "lb/ac") == pytest.approx(281.40, abs=5e-3)
    assert rate(Mass(20, "lb"), turned, "lb/ac") * 1000 / (43_560 / 43) == pytest.approx(277.78, abs=5e-3)


def test_a_sheet_of_fifty_six_inches():
    # Iowa State Univ. Extension, EPC newsletter, Fall 2001: pounds on a sheet of 56 in × 56 in are tons for each acre.
    sheet = parse(Length, "4 ft 8 in").si ** 2
    assert from_si(Area, sheet, "ft2") == pytest.approx(21.7778, abs=5e-5)
    assert rate(Mass(1, "lb"), sheet, "lb/ac") / 2000 == pytest.approx(1, rel=2e-4)


def test_a_distance_for_a_thousand_square_feet():
    # Turf slide set, slideplayer.com/slide/3861029: 83 ft 4 in × 12 ft = 1,000 sq ft.
    assert from_si(Area, parse(Length, "83 ft 4 in").si * Length(12, "ft").si, "ft2") == pytest.approx(1000, rel=1e-12)


def test_a_pan_of_one_square_foot():
    # Texas A&M Aggie Turf, rotary spreader: 21-0-0 at 1 lb N/1000 sq ft, a pan of 1 sq ft in the middle (computed).
    laid = Rate(1 / 0.21, "lb/1000ft2")
    assert laid.value == pytest.approx(4.76, abs=5e-3)
    assert from_si(Mass, laid.si * Area(1, "ft2").si, "g") == pytest.approx(2.160, abs=5e-4)
