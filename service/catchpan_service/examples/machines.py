"""The invented company's gates, sieves, courses and areas."""

from typing import Any

from catchpan_service.examples.job import CURVE

GATE_TABLE: dict[str, Any] = {"curve": CURVE, "tolerance": {"value": 1, "unit": "%"}, "most_rows": 12}

CATCH_PLAN: dict[str, Any] = {
    "rates": {"values": [2, 4], "unit": "lb/1000ft2"},
    "speeds": {"values": [3, 4], "unit": "mph"},
    "pass_spacing": {"value": 11, "unit": "ft"},
    "bucket": {"value": 10, "unit": "lb"},
    "bag": {"value": 50, "unit": "lb"},
    "scale_readability": {"value": 0.02, "unit": "lb"},
    "similar": CURVE,
}

GATE_STOPS: dict[str, Any] = {
    "closed": 212,
    "open": 905,
    "side": "left",
    "openings": {"values": [20, 40, 60], "unit": "%"},
    "from_below": 540,
    "from_above": 543,
    "previous_closed": 210,
    "previous_open": 905,
}

GRANULES: dict[str, Any] = {
    "sieves": {"values": [3.35, 2.36, 2, 1.7, 1.4, 1], "unit": "mm"},
    "masses": {"values": [8.1, 61.3, 58.2, 44, 31.5, 9.4, 1.1], "unit": "g"},
}

GROUND_SPEED: dict[str, Any] = {
    "distance": {"value": 200, "unit": "ft"},
    "durations": {"values": [38.9, 39.3, 39], "unit": "s"},
    "pulses": [412, 413, 412],
    "controller_speed": {"value": 3.5, "unit": "mph"},
    "controller_pulses": 206,
    "controller_distance": {"value": 100, "unit": "ft"},
}


def _caught(name: str, *masses: float) -> dict[str, Any]:
    opening, duration = {"value": 40, "unit": "%"}, {"value": 30, "unit": "s"}
    return {
        "name": name,
        "catches": [
            {"opening": opening, "mass": {"value": mass, "unit": "lb"}, "duration": duration} for mass in masses
        ],
    }


COMPARISON: dict[str, Any] = {
    "machines": [
        _caught("AH-07", 4.02, 4.09, 4.05),
        _caught("AH-11", 3.96, 4.01, 3.93),
        _caught("AH-12", 4.11, 4.04, 4.08),
        _caught("AH-19", 4.47, 4.52, 4.4),
    ]
}

AMOUNTS: dict[str, Any] = {
    "area": {"value": 43560, "unit": "ft2"},
    "analysis": {"nitrogen": {"value": 24, "unit": "%"}, "potash": {"value": 11, "unit": "%"}},
    "nutrient": "nitrogen",
    "nutrient_rate": {"value": 0.75, "unit": "lb/1000ft2"},
    "bag": {"value": 50, "unit": "lb"},
    "bag_price": 31.5,
}

WORK_RATE: dict[str, Any] = {
    "width": {"value": 11, "unit": "ft"},
    "speed": {"value": 3.5, "unit": "mph"},
    "efficiency": {"value": 70, "unit": "%"},
    "area": {"value": 6, "unit": "ac"},
}

BOOM_FLOW: dict[str, Any] = {
    "volume": {"value": 40, "unit": "gal"},
    "area": {"value": 1, "unit": "ac"},
    "pass_spacing": {"value": 11, "unit": "ft"},
    "speed": {"value": 3.5, "unit": "mph"},
    "nozzle_spacing": {"value": 20, "unit": "in"},
}
