"""What the invented company finds on its machines."""

from typing import Any

COMMISSIONING: dict[str, Any] = {
    "done": "2026-03-02T09:30:00Z",
    "by": "R. Example",
    "gates": [
        {"side": "left", "closed": 212, "open": 905, "from_below": 540, "from_above": 543, "shut": "tight"},
        {"side": "right", "closed": 208, "open": 899, "shut": "tight"},
    ],
    "balance": [
        {"opening": {"value": 25, "unit": "%"}, "left": {"value": 1.02, "unit": "lb"},
         "right": {"value": 1.0, "unit": "lb"}},
        {"opening": {"value": 60, "unit": "%"}, "left": {"value": 5.1, "unit": "lb"},
         "right": {"value": 5.05, "unit": "lb"}},
    ],
    "impellers": [
        {"panel": {"value": 640, "unit": "rpm"}, "tachometer": {"value": 646, "unit": "rpm"}, "vanes": "whole"},
    ],
    "tyres": [{"where": "rear left", "pressure": {"value": 12, "unit": "psi"}}],
    "ground_speed": {
        "distance": {"value": 200, "unit": "ft"},
        "durations": {"values": [38.9, 39.3, 39], "unit": "s"},
        "controller_speed": {"value": 3.5, "unit": "mph"},
    },
    "scale": {"weight": {"value": 10, "unit": "lb"}, "shown": {"value": 10.02, "unit": "lb"}},
    "note": "invented",
}  # fmt: skip

CORRECTION: dict[str, Any] = {
    "profile": "01900000-0000-7000-8000-000000000001",
    "number": 1,
    "machine": "01900000-0000-7000-8000-000000000001",
    "factor": 0.972,
    "standard_uncertainty": {"value": 0.8, "unit": "%"},
    "by": "R. Example",
    "reason": "check catches at 25 and 60 %, both 3 % low",
    "until": "2031-06-30T00:00:00Z",
}

RUNNING: dict[str, Any] = {
    "profile": "01900000-0000-7000-8000-000000000001",
    "number": 1,
    "digest": "sha256:" + "0" * 64,
    "at": "2026-05-12T05:40:00Z",
    "by": "R. Example",
    "confirmed": True,
    "check": "accepted",
}

CHECK: dict[str, Any] = {
    "profile": "01900000-0000-7000-8000-000000000001",
    "number": 1,
    "at": "2026-05-12T05:55:00Z",
    "by": "R. Example",
    "lot": "L2041",
    "caught": {
        "catches": [
            {"opening": {"value": 30, "unit": "%"}, "mass": {"value": 3.14, "unit": "lb"},
             "duration": {"value": 45, "unit": "s"}},
            {"opening": {"value": 52, "unit": "%"}, "mass": {"value": 4.76, "unit": "lb"},
             "duration": {"value": 20, "unit": "s"}},
        ],
        "scale_readability": {"value": 0.01, "unit": "lb"},
    },
    "note": "invented",
}  # fmt: skip

BULK: dict[str, Any] = {
    "items": [
        {"material": {"name": "Sample Meadow 18-0-6", "maker": "invented", "bag": {"value": 50, "unit": "lb"}}},
        {"machine_kind": {"name": "Stand-on 60 (invented)"}},
        {"branch": {"name": "South yard", "tags": ["ice"]}},
        {
            "machine": {
                "name": "AH-21",
                "branch": "South yard",
                "machine_kind": "Stand-on 60 (invented)",
                "serial": "invented 0121",
            }
        },
        {"commissioning": {"machine": "AH-21", "record": COMMISSIONING}},
    ]
}
