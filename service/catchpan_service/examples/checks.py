"""The invented company's check catches, field checks and the checks of one machine over a season."""

from typing import Any

from catchpan_service.examples.job import CURVE


def _catch(opening: float, mass: float, duration: float) -> dict[str, Any]:
    return {
        "opening": {"value": opening, "unit": "%"},
        "mass": {"value": mass, "unit": "lb"},
        "duration": {"value": duration, "unit": "s"},
    }


CHECK_CATCH: dict[str, Any] = {
    "curve": CURVE,
    "catches": [_catch(30, 3.36, 45), _catch(30, 3.39, 45), _catch(52, 5.11, 20), _catch(52, 5.15, 20)],
    "scale_readability": {"value": 0.02, "unit": "lb"},
}

FIELD_CHECK: dict[str, Any] = {
    "used": {"value": 150, "unit": "lb"},
    "rate": {"value": 3.2, "unit": "lb/1000ft2"},
    "laid_width": {"value": 11, "unit": "ft"},
    "distance": {"value": 4200, "unit": "ft"},
    "area": {"value": 1, "unit": "ac"},
}

CHECK_SERIES: dict[str, Any] = {
    "checks": [
        {"ratio": {"value": ratio, "unit": "%"}, "standard_uncertainty": {"value": 1.8, "unit": "%"}}
        for ratio in (100.4, 99.1, 101.2, 102.6, 103.1, 103.4, 104.2)
    ],
    "machines": 150,
    "checks_per_month": 1,
}
