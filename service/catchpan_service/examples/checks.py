"""The invented company's check catches, field checks, the checks of one machine, and curves lent and borrowed."""

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


def _set(material: str, size: float, *flows: float) -> dict[str, Any]:
    """A set of one catch of 20 s at each of five openings."""
    return {
        "material": material,
        "size_guide_number": size,
        "catches": [_catch(opening, flow, 20) for opening, flow in zip((22, 30, 40, 55, 75), flows, strict=True)],
    }


PRIOR: dict[str, Any] = {
    "sets": [
        _set("Hollow Green 24-0-11", 215, 0.57, 1.37, 2.66, 5.08, 8.95),
        _set("Fernwick Fine 18-0-4", 120, 1.01, 1.93, 3.32, 5.83, 9.83),
        _set("Quarry Lane Lime", 150, 0.94, 1.86, 3.33, 6.08, 10.6),
        _set("Alder Overseed", 240, 0.3, 0.86, 1.8, 3.62, 6.66),
    ],
    "without": "Alder Overseed",
    "size_guide_number": 240,
}

PROVISIONAL: dict[str, Any] = {
    "curve": CURVE,
    "catches": [_catch(30, 3.36, 45), _catch(30, 3.39, 45), _catch(52, 5.11, 20), _catch(52, 5.15, 20)],
}
