"""The main job of the invented company: its catches, their curve, openings, a pan test, a profile."""

from typing import Any

CATCHES: list[dict[str, Any]] = [
    {"opening": {"value": opening, "unit": "%"}, "mass": {"value": mass, "unit": "lb"},
     "duration": {"value": duration, "unit": "s"}}
    for opening, mass, duration in [
        (22, 1.71, 60), (22, 1.74, 60), (30, 3.11, 45), (38, 3.71, 30), (38, 3.66, 30), (52, 4.75, 20), (52, 4.71, 20),
        (70, 6.02, 15),
    ]
]  # fmt: skip

CURVE: dict[str, Any] = {
    "form": "offset_power",
    "algorithm": "offset_power/1",
    "weighting": "uncertainty",
    "gates": "both",
    "left_share": None,
    "flow_scale": {"value": 413.747437703, "unit": "g/s"},
    "dead_opening": 0.128674883395,
    "exponent": 1.45096823363,
    "knot_openings": [0.22, 0.3, 0.38, 0.52, 0.7],
    "knot_flows": None,
    "knot_uncertainties": None,
    "covariance": [
        [0.00085964829839, -0.000177113002833, 0.00150696414509],
        [-0.000177113002833, 0.000119897876605, -0.000702929540206],
        [0.00150696414509, -0.000702929540206, 0.00455844769482],
    ],
    "degrees_of_freedom": 8.0,
    "smallest_opening": 0.22,
    "largest_opening": 0.7,
    "smallest_steady_opening": 0.22,
    "largest_unsteady_opening": None,
    "opening_uncertainty": 0.003,
    "shared_uncertainty": 0.005,
}

OPENING: dict[str, Any] = {
    "curve": CURVE,
    "rate": {"value": 3.2, "unit": "lb/1000ft2"},
    "speed": {"value": 3.5, "unit": "mph"},
    "pass_spacing": {"value": 11, "unit": "ft"},
    "opening_step": {"value": 0.5, "unit": "%"},
}

CHART: dict[str, Any] = {
    "curve": CURVE,
    "rates": {"values": [2, 3, 4], "unit": "lb/1000ft2"},
    "speeds": {"values": [3, 3.5, 4], "unit": "mph"},
    "pass_spacing": {"value": 11, "unit": "ft"},
}

PAN_TEST: dict[str, Any] = {
    "positions": {"values": [-12, -10, -8, -6, -4, -2, 0, 2, 4, 6, 8, 10, 12], "unit": "ft"},
    "rows": [
        {"masses": {"values": [0, 1.1, 3, 5.2, 7.1, 9, 10.1, 9.2, 7, 5.1, 2.8, 1, 0], "unit": "g"}, "passes": 3},
        {"masses": {"values": [0, 0.9, 3.1, 5, 7.3, 8.8, 9.9, 9, 7.2, 4.9, 3, 1.1, 0], "unit": "g"}, "passes": 3},
    ],
    "pan_area": {"value": 1, "unit": "ft2"},
    "conditions": "invented: wind below 3 mph, turf dry",
}

MATERIAL: dict[str, Any] = {
    "name": "Hollow Green 24-0-11",
    "maker": "Fernwick Mills (invented)",
    "nature": "fertiliser",
    "analysis": {"nitrogen": {"value": 24, "unit": "%"}, "potash": {"value": 11, "unit": "%"}},
    "bag": {"value": 50, "unit": "lb"},
    "label_highest_rate": {"value": 4.2, "unit": "lb/1000ft2"},
}

MACHINE_KIND: dict[str, Any] = {"name": "Ride-on, one gate (invented)", "gates": 1, "impellers": 1}

CONTENT: dict[str, Any] = {
    "format": 1,
    "calibration": {"catches": CATCHES},
    "conditions": {"machine": "AH-07", "lot": "L2041", "by": "R. Example", "agitator": "on"},
    "pan_tests": [{"test": PAN_TEST}],
    "passes": [
        {"name": "open lawn", "purpose": "open ground", "kind": "overlapped", "width": {"value": 11, "unit": "ft"},
         "driving": "back_and_forth"},
        {"name": "border", "purpose": "along beds", "kind": "edge", "width": {"value": 5, "unit": "ft"}},
    ],
    "work_rates": [
        {"purpose": "spring feeding", "rate": {"value": 3.2, "unit": "lb/1000ft2"},
         "speed": {"value": 3.5, "unit": "mph"}, "pass_name": "open lawn"},
    ],
}  # fmt: skip
