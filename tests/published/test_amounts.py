"""Amounts, work rates and booms against what bulletins print."""

import pytest

from catchpan.quantities import Area, Length, Mass, Rate, Speed, Volume
from catchpan_service.calibration.amounts import ELEMENTS, OXIDES, amounts, boom_flow, work_rate

ACRE, FT, MPH, LB_PER_1000 = 4046.8564224, 0.3048, 0.44704, Rate(1, "lb/1000ft2").si


def product(nitrogen, wanted, area, **bags):
    """Product for a rate of nitrogen [lb/1000 ft2] on an area [ft2]."""
    return amounts(
        area=Area(area, "ft2").si, shares={"nitrogen": nitrogen}, nutrient="nitrogen", nutrient_rate=wanted * LB_PER_1000,
        **bags,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("share", "wanted", "area", "rate", "mass", "source"),
    [
        (
            0.28,
            1,
            6000,
            3.571429,
            21.428571,
            "Univ. of Nebraska-Lincoln, byf.unl.edu/LawnFertCalc (prints 3.57; 21.42)",
        ),
        (0.16, 0.75, 8000, 4.6875, 37.5, "Purdue Turf, calculating the pounds of fertilizer to apply (4.69; 37)"),
        (0.20, 1, 1000, 5, 5, "LSU AgCenter pub. 3624; UMass Amherst, Rotary Spreader Calibration Procedures"),
        (0.21, 1, 1000, 4.7619, 4.7619, "Texas A&M Aggie Turf, rotary spreader calibration (4.76)"),
    ],
)
def test_nitrogen_to_product(share, wanted, area, rate, mass, source):
    found = product(share, wanted, area)
    assert found.rate / LB_PER_1000 == pytest.approx(rate, rel=2e-5), source
    assert found.mass / Mass(1, "lb").si == pytest.approx(mass, rel=2e-5), source
    assert found.nutrients["nitrogen"] / LB_PER_1000 == pytest.approx(wanted)


@pytest.mark.parametrize(
    ("oxide", "exact", "printed"),
    [
        # exact: from IUPAC masses; printed: Virginia Tech SPES-201, pubs.ext.vt.edu
        ("phosphate", 0.436427, 0.4365),
        ("potash", 0.830151, 0.8301),
        ("magnesia", 0.603042, 0.6032),
        ("lime", 0.714696, 0.7147),
        ("sulphate", 0.400465, 0.400465),
    ],
)
def test_oxides_to_elements(oxide, exact, printed):
    assert OXIDES[oxide] == pytest.approx(exact, rel=1e-5)
    assert OXIDES[oxide] == pytest.approx(printed, rel=5e-4)


def test_oxides_as_penn_state_rounds_them():
    # Penn State, plantscience.psu.edu, "How much fertilizer": 20 % P2O5 is 8.8 % P (0.44), 10 % K2O is 8.3 % K (0.83)
    assert 20 * round(OXIDES["phosphate"], 2) == pytest.approx(8.8)
    assert 10 * round(OXIDES["potash"], 2) == pytest.approx(8.3)
    found = amounts(area=1, shares={"phosphate": 0.20, "potash": 0.10}, rate=1)
    assert found.nutrients[ELEMENTS["phosphate"]] == pytest.approx(0.087285, rel=1e-5)
    assert found.nutrients[ELEMENTS["potash"]] == pytest.approx(0.083015, rel=1e-5)


@pytest.mark.parametrize(
    ("width", "speed", "efficiency", "printed", "exact"),
    [
        # Iowa State Univ., Ag Decision Maker A3-24 (studylib.net/doc/18165347); the last PM 696 (studylib.net/doc/18166171)
        (40, 6, 0.70, 20.4, 20.364),
        (60, 6, 0.68, 29.7, 29.673),
        (60, 12, 0.68, 59.3, 59.345),
        (80, 6, 0.68, 39.6, 39.564),
        (50, 6, 0.70, 25.5, 25.455),
    ],
)
def test_field_capacity(width, speed, efficiency, printed, exact):
    found = work_rate(width=width * FT, speed=speed * MPH, efficiency=efficiency) * 3600 / ACRE
    assert found == pytest.approx(exact, abs=5e-4)
    assert round(found, 1) == pytest.approx(printed, abs=0.06)


@pytest.mark.parametrize(
    ("gpm", "mph", "inches", "printed", "exact"),
    [
        # Albany County (WY) Weed & Pest, calibrating your sprayer: 5940 x GPM / (mph x in)
        (3.75, 5, 222, 20, 20.0676),
    ],
)
def test_boom_flow(gpm, mph, inches, printed, exact):
    gallon = Volume(1, "gal").si
    found = boom_flow(volume_per_area=exact * gallon / ACRE, width=Length(inches, "in").si, speed=Speed(mph, "mph").si)
    assert found * 60 / gallon == pytest.approx(gpm, rel=1e-4)
    assert exact == pytest.approx(printed, rel=0.005)


def test_the_constants_of_the_boom_and_of_the_field_are_exact():
    # Mesa County (CO) weed office: 495 and 5940; Univ. of Kentucky AEN-73: acres/h = ft x mph / 8.25
    gallon = Volume(1, "gal").si
    flow = boom_flow(volume_per_area=gallon / ACRE, width=FT, speed=MPH) * 60 / gallon
    assert 1 / flow == pytest.approx(495, rel=1e-12)
    assert 12 / flow == pytest.approx(5940, rel=1e-12)
    assert 1 / (work_rate(width=FT, speed=MPH, efficiency=1) * 3600 / ACRE) == pytest.approx(8.25, rel=1e-12)
