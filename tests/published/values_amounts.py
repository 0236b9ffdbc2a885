"""What bulletins print of amounts, work rates and booms."""

import math

from catchpan.quantities import Area, Length, Mass, Rate, Speed, Volume
from catchpan_service.calibration.amounts import ELEMENTS, OXIDES, Amounts, amounts, boom_flow, work_rate

from .row import Row

ACRE, FT, MPH, LB_PER_1000, LB = Area(1, "ac").si, 0.3048, 0.44704, Rate(1, "lb/1000ft2").si, Mass(1, "lb").si
GALLON = Volume(1, "gal").si

NEBRASKA = "Univ. of Nebraska-Lincoln, byf.unl.edu/LawnFertCalc"
PURDUE = "Purdue Turf, Calculating the pounds of fertilizer to apply"
PENN_STATE = "Penn State, plantscience.psu.edu, How much fertilizer (2022)"
VIRGINIA = "Virginia Tech SPES-201, pubs.ext.vt.edu"
A3_24 = "Iowa State, Ag Decision Maker A3-24, studylib.net/doc/18165347"
PM_696 = "Iowa State, PM 696 (2001), studylib.net/doc/18166171"
MESA = "Mesa County (Colorado) weed office, stationary calibration"
ALBANY = "Albany County (Wyoming) Weed & Pest, Calibrating your sprayer"
OHIO = "Ohio State Univ. Extension, Bulletin 817-00, b817_07"
OKLAHOMA = "Oklahoma State (Gerken), paperzz.com/doc/9245112"


def product(nitrogen: float, wanted: float, area: float = 1000.0) -> Amounts:
    """Product for a rate of nitrogen [lb/1000 ft²] on an area [ft²]."""
    return amounts(
        area=Area(area, "ft2").si,
        shares={"nitrogen": nitrogen},
        nutrient="nitrogen",
        nutrient_rate=wanted * LB_PER_1000,
    )


def rate(nitrogen: float, wanted: float) -> float:
    """Rate of product [lb/1000 ft²]."""
    return product(nitrogen, wanted).rate / LB_PER_1000


def acres_per_hour(width: float, speed: float, efficiency: float) -> float:
    """Work rate, from [ft] and [mph]."""
    return work_rate(width=width * FT, speed=speed * MPH, efficiency=efficiency) * 3600 / ACRE


def gpm(gallons_per_acre: float, inches: float, mph: float) -> float:
    """Flow of a boom [gal/min]."""
    flow = boom_flow(
        volume_per_area=gallons_per_acre * GALLON / ACRE, width=Length(inches, "in").si, speed=Speed(mph, "mph").si
    )
    return flow * 60 / GALLON


def per_thousand(gallons_per_acre: float) -> float:
    """What a boom lays on 10 ft × 100 ft, driven in a minute [gal]."""
    speed = Speed(100, "ft/min")
    return gpm(gallons_per_acre, 120, speed.to("mph"))


def run_of_a_nozzle(inches: float) -> float:
    """Distance on which a nozzle that lays 1 gal/acre gives one of a gallon's 128 ounces [ft]."""
    minutes = 1 / 128 / gpm(1, inches, 1)
    return minutes * Speed(1, "mph").to("ft/min")


def oxide_to_element(oxide: str) -> float:
    """The element laid with a rate of 1 of the oxide."""
    return amounts(area=1, shares={oxide: 1.0}, rate=1).nutrients[ELEMENTS[oxide]]


ROWS = (
    Row("product for 1 lb N of 28-3-6 [lb/1000 ft²]", NEBRASKA, "3.57", lambda: rate(0.28, 1), exact="3.571429"),
    Row(
        "the same on 6000 ft² [lb]; the print multiplies the rounded rate",
        NEBRASKA,
        "21.42",
        lambda: product(0.28, 1, 6000).mass / LB,
        exact="21.428571",
        near=0.01,
    ),
    Row("product for 0.75 lb N of 16-8-8 [lb/1000 ft²]", PURDUE, "4.69", lambda: rate(0.16, 0.75), exact="4.6875"),
    Row("the same on 8000 ft² [lb]", PURDUE, "37", lambda: product(0.16, 0.75, 8000).mass / LB, exact="37.5"),
    Row("product for 1 lb N of 20-0-0 [lb/1000 ft²]", "LSU AgCenter pub. 3624", "5", lambda: rate(0.20, 1), exact="5.0000"),
    Row(
        "product for 1 lb N of 20-5-10 [lb/1000 ft²]",
        "UMass Amherst, Rotary Spreader Calibration Procedures",
        "5.00",
        lambda: rate(0.20, 1),
        exact="5.0000",
    ),
    Row(
        "product for 1 lb N of 21-0-0 [lb/1000 ft²]",
        "Texas A&M Aggie Turf, rotaryspreader1",
        "4.76",
        lambda: rate(0.21, 1),
        exact="4.7619",
    ),
    Row(
        "9000 ft² at 50 lb for 6000 ft² [lb]",
        "Virginia Turfgrass Council, applicator topic 2",
        "75",
        lambda: amounts(area=9000, shares={}, rate=50 / 6000).mass,
        exact="75.0000",
    ),
    Row(
        "active ingredient of 20 % in 277 lb/acre [lb/acre]",
        "Univ. of Florida (IFAS), dry-chemical applicator sheet, Table 2",
        "55.4",
        lambda: amounts(area=1, shares={"active": 0.20}, rate=277).nutrients["active"],
        exact="55.4000",
    ),
    Row(
        "P₂O₅, K₂O, MgO, CaO to the element",
        VIRGINIA,
        "0.4365 0.8301 0.6032 0.7147",
        lambda: [oxide_to_element(one) for one in ("phosphate", "potash", "magnesia", "lime")],
        exact="0.436427 0.830151 0.603042 0.714696",
        share=5e-4,
    ),
    Row("SO₃ to sulphur", "printed widely, 1/2.5", "0.4", lambda: oxide_to_element("sulphate"), exact="0.400465"),
    Row(
        "P and K to the oxide; the print for K is 0.04 % off its own inverse",
        VIRGINIA,
        "2.2910 1.2051",
        lambda: [1 / OXIDES["phosphate"], 1 / OXIDES["potash"]],
        exact="2.291335 1.204600",
        share=5e-4,
    ),
    Row("P to P₂O₅", "NCDA, as quoted", "2.29", lambda: 1 / OXIDES["phosphate"]),
    Row(
        "P₂O₅ to P, K₂O to K, K to K₂O, rounded",
        "other bulletins",
        "0.44 0.83 1.2",
        lambda: [OXIDES["phosphate"], OXIDES["potash"], 1 / OXIDES["potash"]],
    ),
    Row("K₂O that 49.8 % K stands for [%]", VIRGINIA, "60", lambda: 49.8 / oxide_to_element("potash"), share=5e-4),
    Row(
        "P in 20 % P₂O₅, K in 10 % K₂O [%]; the print rounds the factors first",
        PENN_STATE,
        "8.8 8.3",
        lambda: [20 * oxide_to_element("phosphate"), 10 * oxide_to_element("potash")],
        exact="8.7285 8.3015",
        near=0.08,
    ),
    Row("work rate, 40 ft, 6 mph, 70 % [ac/h]", A3_24, "20.4", lambda: acres_per_hour(40, 6, 0.70), exact="20.364"),
    Row("work rate, 60 ft, 6 mph, 68 % [ac/h]", A3_24, "29.7", lambda: acres_per_hour(60, 6, 0.68), exact="29.673"),
    Row("work rate, 60 ft, 12 mph, 68 % [ac/h]", A3_24, "59.3", lambda: acres_per_hour(60, 12, 0.68), exact="59.345"),
    Row("work rate, 80 ft, 6 mph, 68 % [ac/h]", A3_24, "39.6", lambda: acres_per_hour(80, 6, 0.68), exact="39.564"),
    Row("work rate, 50 ft, 6 mph, 70 % [ac/h]", PM_696, "25.5", lambda: acres_per_hour(50, 6, 0.70), exact="25.455"),
    Row(
        "ft × mph that do one acre in an hour",
        "Univ. of Kentucky AEN-73 (1991)",
        "8.25",
        lambda: 1 / acres_per_hour(1, 1, 1),
        near=1e-11,
    ),
    Row(
        "mph × ft and mph × in for each GPA of a GPM",
        MESA,
        "495 5940",
        lambda: [1 / gpm(1, 12, 1), 1 / gpm(1, 1, 1)],
        near=1e-8,
    ),
    Row(
        "3.75 gal/min at 5 mph on 222 in [gal/acre]", ALBANY, "20", lambda: 3.75 / gpm(1, 222, 5), exact="20.0676"
    ),
    Row(
        "mph × in for each GPA of an ounce in a minute", ALBANY, "46.4", lambda: 1 / gpm(1, 1, 1) / 128, exact="46.40625"
    ),
    Row("1/128 acre [ft²]", ALBANY, "340", lambda: Area(1 / 128, "ac").to("ft2"), exact="340.3125"),
    Row(
        "its side [ft]",
        ALBANY,
        "18.5",
        lambda: math.sqrt(Area(1 / 128, "ac").to("ft2")),
        exact="18.4476",
        near=0.06,
    ),
    Row(
        "run of a nozzle, 18 to 40 in apart, over 1/128 acre [ft]; two prints are cut off",
        OHIO,
        "227 204 185 170 157 146 136 127 120 113 107 102",
        lambda: [run_of_a_nozzle(inches) for inches in range(18, 41, 2)],
        exact="226.9 204.2 185.6 170.2 157.1 145.8 136.1 127.6 120.1 113.4 107.5 102.1",
        near=1,
    ),
    Row("40 gal/acre on 1000 ft² [gal]", OKLAHOMA, "0.92", lambda: per_thousand(40), exact="0.918274"),
    Row("3.6 pints for an acre on 1000 ft² [oz]", OKLAHOMA, "1.3", lambda: 128 * per_thousand(3.6 / 8), exact="1.322314"),
    Row("3.6 pints for an acre on 25 acres [gal]", OKLAHOMA, "11.25", lambda: 25 * 43.56 * per_thousand(3.6 / 8), near=1e-9),
    Row(
        "rate at 6 mph of a boom that lays 20 gal/acre at 3 mph",
        "NC State, turfgrass and boom sprayers and spreaders",
        "10",
        lambda: gpm(20, 240, 3) / gpm(1, 240, 6),
        near=1e-9,
    ),
    Row(
        "1 gal/1000 ft² on 300 ft × 150 ft [gal]",
        "Virginia Turfgrass Council, applicator topic 2, p. 39",
        "45",
        lambda: gpm(43.56, 150 * 12, Speed(300, "ft/min").to("mph")),
        near=1e-9,
    ),
)  # fmt: skip
