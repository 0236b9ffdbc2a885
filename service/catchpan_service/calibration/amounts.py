"""What goes down: product and nutrients, bags and cost, hours, and a spray boom's flow as a cross-check."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from .errors import CalibrationError

_P, _O, _K, _MG, _CA, _S = 30.973761998, 15.999, 39.0983, 24.305, 40.078, 32.06
"""Standard atomic masses (IUPAC, abridged; from memory)."""

OXIDES: Final[Mapping[str, float]] = {
    "phosphate": 2 * _P / (2 * _P + 5 * _O),
    "potash": 2 * _K / (2 * _K + _O),
    "magnesia": _MG / (_MG + _O),
    "lime": _CA / (_CA + _O),
    "sulphate": _S / (_S + 3 * _O),
}
"""Mass of the element in that of its oxide: P2O5, K2O, MgO, CaO, SO3."""

ELEMENTS: Final[Mapping[str, str]] = {
    "phosphate": "phosphorus",
    "potash": "potassium",
    "magnesia": "magnesium",
    "lime": "calcium",
    "sulphate": "sulphur",
}

LARGEST = 1e15
"""No amount in SI is larger, nor smaller than its reciprocal."""


@dataclass(frozen=True)
class Amounts:
    """What an area takes.

    Attributes
    ----------
    rate : float
        Of product [kg/m2].
    mass : float
        Of product for the area [kg].
    bags, whole_bags : float or None
        Bags that hold it, and bags to open.
    cost : float or None
        Of the product used, in the currency of the price.
    nutrients : dict of str to float
        Rate of each nutrient and element [kg/m2].
    """

    rate: float
    mass: float
    bags: float | None
    whole_bags: int | None
    cost: float | None
    nutrients: dict[str, float]


def amounts(
    *,
    area: float,
    shares: Mapping[str, float],
    rate: float | None = None,
    nutrient: str | None = None,
    nutrient_rate: float | None = None,
    bag_mass: float | None = None,
    bag_price: float | None = None,
) -> Amounts:
    """Work out product, bags, cost and nutrients for an area, from a rate of product or of one nutrient.

    product rate = nutrient rate / share of the nutrient (UMass Amherst, Rotary Spreader Calibration Procedures).

    Parameters
    ----------
    area : float
        [m2].
    shares : mapping of str to float
        Share of each nutrient in the product, as on the bag: ``nitrogen``, ``phosphate`` ...
    rate : float, optional
        Of product [kg/m2].
    nutrient, nutrient_rate : str and float, optional
        In its place: a nutrient of ``shares``, and its rate [kg/m2].
    bag_mass, bag_price : float, optional
        Of one bag [kg], [any currency].

    Raises
    ------
    CalibrationError
        Not exactly one way to say the rate, shares above 100 % together, a nutrient that the product does not hold.
    """
    _positive("area", area)
    _check_shares(shares)
    laid = _rate(shares, rate, nutrient, nutrient_rate)
    mass = laid * area
    for name, value in (("bag_mass", bag_mass), ("bag_price", bag_price)):
        if value is not None:
            _positive(name, value)
    bags = None if bag_mass is None else mass / bag_mass
    whole = None if bags is None else math.ceil(bags - 1e-9)
    cost = None if bags is None or bag_price is None else bags * bag_price
    return Amounts(laid, mass, bags, whole, cost, _nutrients(shares, laid))


def _nutrients(shares: Mapping[str, float], rate: float) -> dict[str, float]:
    """Rates of what stands on the bag, and of the elements in it."""
    found = {name: share * rate for name, share in shares.items()}
    return found | {ELEMENTS[name]: found[name] * OXIDES[name] for name in shares if name in OXIDES}


def _rate(shares: Mapping[str, float], rate: float | None, nutrient: str | None, nutrient_rate: float | None) -> float:
    if (rate is None) == (nutrient_rate is None) or (nutrient is None) != (nutrient_rate is None):
        message = "say either the rate of product, or a nutrient and its rate"
        raise CalibrationError("rate_unclear", message, where=("rate",), allowed="rate, or nutrient and nutrient_rate")
    if rate is not None:
        _positive("rate", rate)
        return rate
    share = shares.get(str(nutrient), 0.0)
    if not share > 0:
        allowed = ", ".join(name for name, own in shares.items() if own > 0) or "a product that holds nutrients"
        raise CalibrationError(
            "nutrient_missing", f"the product holds no {nutrient}", where=("nutrient",), given=nutrient, allowed=allowed
        )
    wanted = float(nutrient_rate or 0.0)
    _positive("nutrient_rate", wanted)
    return wanted / share


def _check_shares(shares: Mapping[str, float]) -> None:
    for name, share in shares.items():
        if not 0 <= share <= 1:
            raise CalibrationError(
                "bad_share", f"{name} is no share", where=("analysis", name), allowed="from 0 to 100 %"
            )
    if sum(shares.values()) > 1:
        message = "the product would hold more nutrients than it weighs"
        raise CalibrationError(
            "more_nutrient_than_product", message, where=("analysis",), allowed="at most 100 % together"
        )


def work_rate(*, width: float, speed: float, efficiency: float) -> float:
    """Area done in a time [m2/s]: width x speed x efficiency (Iowa State Univ., Ag Decision Maker A3-24).

    Parameters
    ----------
    width : float
        Pass spacing [m].
    speed : float
        Ground speed [m/s].
    efficiency : float
        Share of the time that is spent laying, above 0 to 1: turns and filling take the rest.

    Examples
    --------
    >>> round(work_rate(width=40 * 0.3048, speed=6 * 0.44704, efficiency=0.70) * 3600 / 4046.8564224, 2)
    20.36
    """
    _positive("width", width)
    _positive("speed", speed)
    if not 0 < efficiency <= 1:
        raise CalibrationError(
            "bad_efficiency", "efficiency is no share", where=("efficiency",), allowed="above 0 to 100 %"
        )
    return width * speed * efficiency


def boom_flow(*, volume_per_area: float, width: float, speed: float) -> float:
    """Flow of a spray boom that lays a volume per area on the same pass spacing [m3/s]: their product.

    In gallons and minutes this is GPM = GPA x mph x ft / 495 (Mesa County weed office, stationary calibration).

    Parameters
    ----------
    volume_per_area : float
        [m3/m2].
    width : float
        Pass spacing, or nozzle spacing for one nozzle [m].
    speed : float
        Ground speed [m/s].
    """
    for name, value in (("volume_per_area", volume_per_area), ("width", width), ("speed", speed)):
        _positive(name, value)
    return volume_per_area * width * speed


def _positive(name: str, value: float) -> None:
    if not 1.0 / LARGEST <= value <= LARGEST:
        message, allowed = (
            f"{name} must be above zero",
            f"a finite value above zero, from {1 / LARGEST:g} to {LARGEST:g}",
        )
        raise CalibrationError(f"bad_{name}", message, where=(name,), given=value, allowed=allowed)
