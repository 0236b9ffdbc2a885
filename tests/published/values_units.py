"""Units against exact definitions and printed constants."""

from fractions import Fraction

from catchpan.quantities import (
    Area,
    Density,
    Flow,
    Length,
    Mass,
    Quantity,
    Rate,
    Speed,
    Time,
    Volume,
    from_si,
    parse,
)  # fmt: skip

from .row import Basis, Row

SP_811 = "NIST SP 811, Appendix B"
PRODUCT = "products of the definitions in NIST SP 811, and pint 0.25.3"
NHTSA = "NHTSA, SI page"
SCHOOLS = "Upper Canada District School Board, ucdsb.on.ca"


def exact(quantity: Quantity, unit: str, printed: str, source: str, basis: Basis) -> Row:
    """A conversion that is met to the last digit of a float."""
    return Row(f"{quantity} [{unit}]", source, printed, lambda: quantity.to(unit), basis=basis, near=0)


def rounded(quantity: Quantity, unit: str, printed: str, source: str, basis: Basis) -> Row:
    """A conversion that is met to the last printed digit."""
    return Row(f"{quantity} [{unit}]", source, printed, lambda: quantity.to(unit), basis=basis)


def volume_per_area(volume: Volume, area: Area, into: Volume, over: Area) -> float:
    """A volume on an area, in other units."""
    laid = Fraction(volume.value) * Volume.factors[volume.unit] / (Fraction(area.value) * Area.factors[area.unit])
    told = Fraction(into.value) * Volume.factors[into.unit] / (Fraction(over.value) * Area.factors[over.unit])
    return float(laid / told)


def per_area(constant: str) -> float:
    """GPA for each GPM over mph and over ft or in."""
    laid = Volume.factors["gal"] / Time.factors["min"] / (Speed.factors["mph"] * Length.factors[constant])
    return float(laid / (Volume.factors["gal"] / Area.factors["ac"]))


def swept(time: str) -> float:
    """Acres in a time for each mph and foot."""
    return float(Speed.factors["mph"] * Length.factors["ft"] * Time.factors[time] / Area.factors["ac"])


ACRE, THOUSAND = Area(1, "ac"), Area(1000, "ft2")

ROWS = (
    exact(Mass(1, "lb"), "kg", "0.45359237", SP_811, "from memory"),
    exact(Mass(1, "lb"), "oz", "16", SP_811, "from memory"),
    exact(Length(1, "ft"), "m", "0.3048", SP_811, "from memory"),
    exact(Length(1, "ft"), "in", "12", SP_811, "from memory"),
    exact(Speed(1, "mph"), "m/s", "0.44704", SP_811, "from memory"),
    exact(Volume(1, "gal"), "L", "3.785411784", SP_811, "from memory"),
    exact(Area(1, "ac"), "m2", "4046.8564224", SP_811, "from memory"),
    exact(Area(1, "ac"), "ft2", "43560", SP_811, "from memory"),
    exact(Rate(1, "oz/1000ft2"), "lb/1000ft2", "0.0625", SP_811, "from memory"),
    exact(Rate(1, "kg/100m2"), "kg/ha", "100", SP_811, "from memory"),
    exact(Rate(1, "g/m2"), "kg/ha", "10", SP_811, "from memory"),
    exact(Speed(1, "mph"), "ft/min", "88", "printed widely: mph = ft × 60 / (s × 88)", "read"),
    exact(Rate(1, "lb/1000ft2"), "lb/ac", "43.56", "several bulletins", "read"),
    rounded(Rate(1, "lb/1000ft2"), "g/m2", "4.882427636383", PRODUCT, "computed"),
    rounded(Rate(1, "lb/1000ft2"), "kg/ha", "48.82427636383", PRODUCT, "computed"),
    rounded(Rate(1, "oz/1000ft2"), "g/m2", "0.305151727", PRODUCT, "computed"),
    rounded(Rate(1, "lb/ac"), "kg/ha", "1.1208511562", PRODUCT, "computed"),
    rounded(Rate(2000, "lb/ac"), "g/m2", "224.170231", PRODUCT, "computed"),
    rounded(Flow(1, "lb/min"), "g/s", "7.559872833", PRODUCT, "computed"),
    rounded(Density(1, "lb/ft3"), "kg/m3", "16.018463374", PRODUCT, "computed"),
    rounded(Length(1, "ft"), "m", "0.305", NHTSA, "read"),
    rounded(Area(1, "ac"), "ha", "0.405", NHTSA, "read"),
    rounded(Mass(1, "lb"), "kg", "0.454", NHTSA, "read"),
    rounded(Volume(1, "gal"), "L", "3.785", NHTSA, "read"),
    rounded(Area(1, "ac"), "ha", "0.4046856", SCHOOLS, "read"),
    rounded(Mass(1, "lb"), "kg", "0.45359237", SCHOOLS, "read"),
    rounded(Speed(1, "mph"), "m/s", "0.44704", SCHOOLS, "read"),
    Row("1 gal/ac [L/ha]", PRODUCT, "9.353956228956", lambda: volume_per_area(Volume(1, "gal"), ACRE, Volume(1, "L"), Area(1, "ha")), basis="computed"),
    Row("1 gal/1000 ft² [L/100 m²]", PRODUCT, "4.074583333", lambda: volume_per_area(Volume(1, "gal"), THOUSAND, Volume(1, "L"), Area(100, "m2")), basis="computed"),
    Row("1 gal/ac [gal/1000 ft²]", PRODUCT, "0.0229568411", lambda: volume_per_area(Volume(1, "gal"), ACRE, Volume(1, "gal"), THOUSAND), basis="computed"),
    Row("acre over that of the US survey foot, less 1, in millionths", f"{SP_811}: 4.046 873 E+03 m²", "-4.1", lambda: 1e6 * (ACRE.to("m2") / 4046.873 - 1), basis="from memory"),
    Row("mph × ft to acres in a minute", "US Army TM 5-3740-218-13P", "0.0020202", lambda: swept("min"), exact="0.00202020202020202"),
    Row("mph × ft for an acre in an hour", "Univ. of Kentucky AEN-73 (1991): acres/h = ft × mph / 8.25", "8.25", lambda: 1 / swept("h"), near=0),
    Row("GPA = GPM × 495 / (mph × ft) = GPM × 5940 / (mph × in)", "Mesa County (Colorado) weed office", "495 5940", lambda: [per_area("ft"), per_area("in")], near=0),
    Row(
        "kg/ha = 600 × kg/min / (m × km/h)",
        "Calibración de fertilizadoras, scribd 504491392",
        "600",
        lambda: float(Flow.factors["kg/min"] / (Length.factors["m"] * Speed.factors["km/h"]) / Rate.factors["kg/ha"]),
        near=0,
    ),
    Row("200 ft at 3 mph [s]", "NC State turf calibration bulletin (the time computed)", "45.45", lambda: Length(200, "ft").si / Speed(3, "mph").si, basis="computed"),
    Row("used: 32 oz less 29 oz [lb]", "eXtension, Example: Calibrating a Fire Ant Bait Spreader (2007)", "0.1875", lambda: Mass(32, "oz").to("lb") - Mass(29, "oz").to("lb"), near=0),
    Row(
        "a sheet of 56 in × 56 in [ft²]",
        "Iowa State Univ. Extension, EPC newsletter, Fall 2001",
        "21.78",
        lambda: from_si(Area, parse(Length, "4 ft 8 in").si ** 2, "ft2"),
        exact="21.7778",
    ),
    Row(
        "tons/acre for each lb on that sheet",
        "Iowa State Univ. Extension, EPC newsletter, Fall 2001",
        "1",
        lambda: from_si(Rate, Mass(1, "lb").si / parse(Length, "4 ft 8 in").si ** 2, "lb/ac") / 2000,
        share=2e-4,
    ),
    Row("tons/acre × ft² for each lb on a sheet", "UMass, Manure Spreader Calibration", "21.8", lambda: Rate(1, "lb/1000ft2").to("lb/ac") * 1000 / 2000, exact="21.780"),
    Row(
        "83 ft 4 in × 12 ft [ft²]",
        "turf slide set, slideplayer.com/slide/3861029",
        "1000",
        lambda: from_si(Area, parse(Length, "83 ft 4 in").si * Length(12, "ft").si, "ft2"),
        near=1e-9,
    ),
)  # fmt: skip
