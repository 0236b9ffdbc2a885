"""The invented company's throws, granules, edges and lawns."""

from typing import Any

from catchpan_service.examples import job

THROW: dict[str, Any] = {
    "observations": [
        {
            "impeller_speed": {"value": speed, "unit": "rpm"},
            "left": {"value": left, "unit": "ft"},
            "right": {"value": right, "unit": "ft"},
        }
        for speed, left, right in [(300, 8.5, 8.8), (420, 11, 11.2), (420, 10.8, 11.3), (560, 13.4, 13.9)]
    ],
    "impeller_speeds": {"values": [350, 500], "unit": "rpm"},
    "wanted_throws": {"values": [11, 12.5], "unit": "ft"},
}

FLIGHT: dict[str, Any] = {
    "size_guide_number": 215,
    "uniformity_index": 48,
    "particle_density": {"value": 1300, "unit": "kg/m3"},
    "release_height": {"value": 20, "unit": "in"},
    "wanted_throw": {"value": 11, "unit": "ft"},
    "disc_diameter": {"value": 14, "unit": "in"},
    "cross_wind": {"value": 4, "unit": "mph"},
}

PAN_TEST: dict[str, Any] = job.PAN_TEST | {
    "wind": {"value": 2, "unit": "mph"},
    "flow": {"value": 26.5, "unit": "lb/min"},
    "speed": {"value": 3.5, "unit": "mph"},
    "wanted_spacing": {"value": 13, "unit": "ft"},
    "impeller_speed": {"value": 480, "unit": "rpm"},
}

EDGE_PANS: dict[str, Any] = {
    "positions": {"values": [-6, -4, -2, 0, 2, 4, 6, 8, 10, 12], "unit": "ft"},
    "rows": [
        {"masses": {"values": [0, 0.2, 3.1, 9.6, 9.9, 7.2, 5, 2.9, 1.1, 0], "unit": "g"}, "passes": 3},
        {"masses": {"values": [0, 0.3, 2.7, 9.9, 9.3, 7, 5.3, 3.1, 0.9, 0], "unit": "g"}, "passes": 3},
    ],
    "pan_area": {"value": 1, "unit": "ft2"},
}

EDGE: dict[str, Any] = {
    **{name: job.PAN_TEST[name] for name in ("positions", "rows", "pan_area")},
    "edge_pans": EDGE_PANS,
    "side": "left",
    "pass_spacing": {"value": 11, "unit": "ft"},
    "distances": {"values": [0, 2, 4], "unit": "ft"},
    "beyond": "paving",
    "rate": {"value": 3.2, "unit": "lb/1000ft2"},
    "label_highest_rate": {"value": 4.2, "unit": "lb/1000ft2"},
}

COVERAGE: dict[str, Any] = {
    **{name: job.PAN_TEST[name] for name in ("positions", "rows", "pan_area")},
    "edge_pans": EDGE_PANS,
    "side": "left",
    "outline": {
        "x": {"values": [0, 180, 180, 110, 0], "unit": "ft"},
        "y": {"values": [0, 0, 95, 140, 120], "unit": "ft"},
    },
    "holes": [
        {
            "name": "pond",
            "x": {"values": [60, 85, 85, 60], "unit": "ft"},
            "y": {"values": [50, 50, 75, 75], "unit": "ft"},
        }
    ],
    "rate": {"value": 3.2, "unit": "lb/1000ft2"},
    "pass_spacing": {"value": 11, "unit": "ft"},
    "cell": {"value": 1, "unit": "ft"},
}
