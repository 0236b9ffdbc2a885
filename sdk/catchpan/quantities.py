"""A number and its unit: the one table of units, their exact factors and their text form.

Every number with a dimension travels with its unit, because mixed-up units are the classic mistake of this job.
Each dimension has a closed set of units. Factors are exact: the inch and the pound are defined in SI, and the acre is
the international one of 43 560 square feet.
"""

import re
from fractions import Fraction
from functools import cache
from typing import Any, ClassVar, Literal, TypeVar, get_args

import msgspec

from catchpan.errors import QuantityError

MassUnit = Literal["lb", "oz", "kg", "g"]
LengthUnit = Literal["ft", "in", "m", "cm", "mm"]
TimeUnit = Literal["s", "min", "h"]
SpeedUnit = Literal["mph", "ft/min", "km/h", "m/s"]
FlowUnit = Literal["lb/min", "kg/min", "g/s"]
RateUnit = Literal["lb/1000ft2", "lb/ac", "oz/1000ft2", "kg/ha", "g/m2", "kg/100m2"]
MassPerLengthUnit = Literal["lb/1000ft", "g/m"]
AreaUnit = Literal["ft2", "ac", "m2", "ha"]
VolumeUnit = Literal["gal", "L"]
RatioUnit = Literal["%", "1"]
RotationUnit = Literal["rpm"]
DensityUnit = Literal["lb/ft3", "kg/m3"]
AngleUnit = Literal["deg"]
TemperatureUnit = Literal["degF", "degC"]
PressureUnit = Literal["psi", "kPa", "bar"]
System = Literal["us", "si"]

_LB = Fraction(45359237, 100_000_000)
_FT = Fraction(3048, 10_000)
_MPH = 5280 * _FT / 3600
_FT2 = _FT**2
_ACRE = 43_560 * _FT2
_GALLON = 231 * (_FT / 12) ** 3
_KMH = Fraction(1000, 3600)
_GRAVITY = Fraction(980665, 100_000)
_PI = Fraction(3.141592653589793)


class Quantity(msgspec.Struct, frozen=True):
    """A value and its unit; each dimension is a subclass with its own closed set of units."""

    value: float
    unit: str

    dimension: ClassVar[str] = ""
    factors: ClassVar[dict[str, Fraction]] = {}
    offsets: ClassVar[dict[str, Fraction]] = {}
    usual: ClassVar[dict[str, str]] = {}

    def to(self, unit: str) -> float:
        """The value of this quantity in another unit of its dimension; QuantityError for any other unit."""
        _known(type(self), unit)
        if unit == self.unit:
            return self.value
        return float(self._exact_si / self.factors[unit] - self.offsets.get(unit, 0) / self.factors[unit])

    @property
    def _exact_si(self) -> Fraction:
        return Fraction(self.value) * self.factors[self.unit] + self.offsets.get(self.unit, 0)

    @property
    def si(self) -> float:
        """The value in the coherent SI unit of the dimension (kg, m, s, kg/s, kg/m2, K, ...)."""
        factor, offset = scale(type(self), self.unit)
        return self.value * factor + offset

    def __str__(self) -> str:
        return f"{self.value:.6g} {self.unit}".removesuffix(" 1")


Q = TypeVar("Q", bound=Quantity)


class Mass(Quantity, frozen=True):
    """A mass: lb, oz, kg or g."""

    unit: MassUnit
    dimension = "mass"
    factors = {"lb": _LB, "oz": _LB / 16, "kg": Fraction(1), "g": Fraction(1, 1000)}
    usual = {"us": "lb", "si": "kg"}


class Length(Quantity, frozen=True):
    """A length: ft, in, m, cm or mm."""

    unit: LengthUnit
    dimension = "length"
    factors = {
        "ft": _FT,
        "in": _FT / 12,
        "m": Fraction(1),
        "cm": Fraction(1, 100),
        "mm": Fraction(1, 1000),
    }
    usual = {"us": "ft", "si": "m"}


class Time(Quantity, frozen=True):
    """A duration: s, min or h."""

    unit: TimeUnit
    dimension = "time"
    factors = {"s": Fraction(1), "min": Fraction(60), "h": Fraction(3600)}
    usual = {"us": "s", "si": "s"}


class Speed(Quantity, frozen=True):
    """A ground speed: mph, ft/min, km/h or m/s."""

    unit: SpeedUnit
    dimension = "speed"
    factors = {"mph": _MPH, "ft/min": _FT / 60, "km/h": _KMH, "m/s": Fraction(1)}
    usual = {"us": "mph", "si": "km/h"}


class Flow(Quantity, frozen=True):
    """A mass per time: lb/min, kg/min or g/s."""

    unit: FlowUnit
    dimension = "flow"
    factors = {"lb/min": _LB / 60, "kg/min": Fraction(1, 60), "g/s": Fraction(1, 1000)}
    usual = {"us": "lb/min", "si": "kg/min"}


class Rate(Quantity, frozen=True):
    """A mass per area on the ground: lb/1000ft2, lb/ac, oz/1000ft2, kg/ha, g/m2 or kg/100m2."""

    unit: RateUnit
    dimension = "rate"
    factors = {
        "lb/1000ft2": _LB / (1000 * _FT2),
        "lb/ac": _LB / _ACRE,
        "oz/1000ft2": _LB / 16 / (1000 * _FT2),
        "kg/ha": Fraction(1, 10_000),
        "g/m2": Fraction(1, 1000),
        "kg/100m2": Fraction(1, 100),
    }
    usual = {"us": "lb/1000ft2", "si": "g/m2"}


class MassPerLength(Quantity, frozen=True):
    """What one pass lays for each unit of distance: lb/1000ft or g/m."""

    unit: MassPerLengthUnit
    dimension = "mass per length"
    factors = {"lb/1000ft": _LB / (1000 * _FT), "g/m": Fraction(1, 1000)}
    usual = {"us": "lb/1000ft", "si": "g/m"}


class Area(Quantity, frozen=True):
    """An area: ft2, ac (international), m2 or ha."""

    unit: AreaUnit
    dimension = "area"
    factors = {"ft2": _FT2, "ac": _ACRE, "m2": Fraction(1), "ha": Fraction(10_000)}
    usual = {"us": "ft2", "si": "m2"}


class Volume(Quantity, frozen=True):
    """A volume: gal (US, 231 cubic inches) or L."""

    unit: VolumeUnit
    dimension = "volume"
    factors = {"gal": _GALLON, "L": Fraction(1, 1000)}
    usual = {"us": "gal", "si": "L"}


class Ratio(Quantity, frozen=True):
    """A share or a relative figure: % or 1."""

    unit: RatioUnit
    dimension = "ratio"
    factors = {"%": Fraction(1, 100), "1": Fraction(1)}
    usual = {"us": "%", "si": "%"}


class Rotation(Quantity, frozen=True):
    """Revolutions per minute."""

    unit: RotationUnit
    dimension = "rotation"
    factors = {"rpm": Fraction(1, 60)}
    usual = {"us": "rpm", "si": "rpm"}


class Density(Quantity, frozen=True):
    """A bulk or granule density: lb/ft3 or kg/m3."""

    unit: DensityUnit
    dimension = "density"
    factors = {"lb/ft3": _LB / _FT**3, "kg/m3": Fraction(1)}
    usual = {"us": "lb/ft3", "si": "kg/m3"}


class Angle(Quantity, frozen=True):
    """A plane angle in degrees."""

    unit: AngleUnit
    dimension = "angle"
    factors = {"deg": _PI / 180}
    usual = {"us": "deg", "si": "deg"}


class Temperature(Quantity, frozen=True):
    """A temperature: degF or degC."""

    unit: TemperatureUnit
    dimension = "temperature"
    factors = {"degF": Fraction(5, 9), "degC": Fraction(1)}
    offsets = {"degF": Fraction(45967, 180), "degC": Fraction(27315, 100)}
    usual = {"us": "degF", "si": "degC"}


class Pressure(Quantity, frozen=True):
    """A tyre's pressure above that of the air: psi, kPa or bar."""

    unit: PressureUnit
    dimension = "pressure"
    factors = {"psi": _LB * _GRAVITY / (_FT / 12) ** 2, "kPa": Fraction(1000), "bar": Fraction(100_000)}
    usual = {"us": "psi", "si": "kPa"}


DIMENSIONS: tuple[type[Quantity], ...] = (
    Mass,
    Length,
    Time,
    Speed,
    Flow,
    Rate,
    MassPerLength,
    Area,
    Volume,
    Ratio,
    Rotation,
    Density,
    Angle,
    Temperature,
    Pressure,
)


class Masses(msgspec.Struct, frozen=True):
    """Several masses in one unit; null for one that is not there."""

    values: list[float | None]
    unit: MassUnit


class Lengths(msgspec.Struct, frozen=True):
    """Several lengths in one unit."""

    values: list[float]
    unit: LengthUnit


class Times(msgspec.Struct, frozen=True):
    """Several durations in one unit."""

    values: list[float]
    unit: TimeUnit


class Speeds(msgspec.Struct, frozen=True):
    """Several ground speeds in one unit."""

    values: list[float]
    unit: SpeedUnit


class Flows(msgspec.Struct, frozen=True):
    """Several flows in one unit."""

    values: list[float]
    unit: FlowUnit


class Rates(msgspec.Struct, frozen=True):
    """Several rates in one unit."""

    values: list[float]
    unit: RateUnit


class Ratios(msgspec.Struct, frozen=True):
    """Several ratios in one unit; null for one that cannot be given."""

    values: list[float | None]
    unit: RatioUnit


class Rotations(msgspec.Struct, frozen=True):
    """Several rotational speeds in one unit."""

    values: list[float]
    unit: RotationUnit


class Angles(msgspec.Struct, frozen=True):
    """Several plane angles in one unit."""

    values: list[float]
    unit: AngleUnit


class RateGrid(msgspec.Struct, frozen=True):
    """Rows of rates in one unit."""

    values: list[list[float]]
    unit: RateUnit


class RatioGrid(msgspec.Struct, frozen=True):
    """Rows of ratios in one unit; null for one that cannot be given."""

    values: list[list[float | None]]
    unit: RatioUnit


def units(kind: type[Quantity]) -> tuple[str, ...]:
    """The units that a dimension allows, the usual one first."""
    return tuple(kind.factors)


@cache
def scale(kind: type[Quantity], unit: str) -> tuple[float, float]:
    """Factor and offset of a unit: SI value = value × factor + offset."""
    return float(kind.factors[unit]), float(kind.offsets.get(unit, 0))


def from_si(kind: type[Quantity], value: float, unit: str) -> float:
    """A value in the coherent SI unit of its dimension, told in ``unit``."""
    factor, offset = scale(kind, unit)
    return (value - offset) / factor


_NUMBER = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?"
_PART = re.compile(rf"\s*({_NUMBER})\s*([^\s\d+\-.,;][^\s]*)?\s*")
_CLOCK = re.compile(r"(?:(\d{1,4}):(?=[0-5]?\d:))?(\d{1,3}):([0-5]\d(?:\.\d+)?)")
_LARGEST = 1e100  # nothing that is weighed or measured is larger, and every unit can still hold it
_DECIMAL_COMMA = re.compile(r"\d,\d")
_COMPOUND = {("lb", "oz"), ("ft", "in"), ("min", "s"), ("h", "min"), ("h", "s")}


def parse(kind: type[Q], text: str, unit: str | None = None) -> Q:
    """Read a quantity as people type it.

    ``"2.8 lb/1000ft2"``, ``"11 ft"``, ``"4 lb 6 oz"``, ``"1:30"`` (a time in minutes and seconds). A bare number takes
    ``unit`` where one is given, as from a CSV header, and is refused otherwise.

    Raises
    ------
    QuantityError
        Naming the text, what is wrong with it, and the units allowed.
    """
    if kind is Time and (clock := _CLOCK.fullmatch(text.strip())):
        hours, minutes, seconds = (float(part or 0) for part in clock.groups())
        return kind(hours * 3600 + minutes * 60 + seconds, "s")
    parts = _parts(kind, text)
    if len(parts) == 1:
        value, own = parts[0]
        return kind(value, _chosen(kind, text, own, unit))
    return _compound(kind, text, parts)


def _parts(kind: type[Quantity], text: str) -> list[tuple[float, str | None]]:
    if _DECIMAL_COMMA.search(text):
        raise QuantityError(f"{text!r}: write the number with a decimal point and no thousands comma")
    parts, at = [], 0
    while at < len(text) and (match := _PART.match(text, at)):
        parts.append((float(match[1]), match[2]))
        at = match.end()
    if not parts or at < len(text) or any(abs(value) > _LARGEST for value, _ in parts):
        raise QuantityError(f"{text!r} is no {kind.dimension}: write a number and a unit, {_allowed(kind)}")
    return parts


def _chosen(kind: type[Quantity], text: str, own: str | None, default: str | None) -> str:
    unit = own or default
    if unit is None:
        raise QuantityError(f"{text!r} has no unit: write it as a number and a unit, {_allowed(kind)}")
    _known(kind, unit)
    return unit


def _compound(kind: type[Q], text: str, parts: list[tuple[float, str | None]]) -> Q:
    names = tuple(unit for _, unit in parts)
    if names not in _COMPOUND or any(value < 0 for value, _ in parts):
        raise QuantityError(f"{text!r} is no {kind.dimension}: write one number and one unit, {_allowed(kind)}")
    (first, unit), (second, small) = ((value, str(name)) for value, name in parts)
    for name in (unit, small):
        _known(kind, name)
    share = float(kind.factors[small] / kind.factors[unit])
    if second * share >= 1:
        raise QuantityError(f"{text!r}: {second:g} {small} is a whole {unit} or more")
    return kind(first + second * share, unit)


def _known(kind: type[Quantity], unit: str) -> None:
    if unit in kind.factors:
        return
    other = next((known.dimension for known in DIMENSIONS if unit in known.factors), None)
    kind_of = f"is a unit of {other}, not of {kind.dimension}" if other else "is not a known unit"
    raise QuantityError(f"{unit!r} {kind_of}; allowed for {kind.dimension}: {', '.join(units(kind))}")


def _allowed(kind: type[Quantity]) -> str:
    return f"one of {', '.join(units(kind))}"


def declared_units(kind: type[Any]) -> tuple[str, ...]:
    """The units that the type of a quantity's or an array's ``unit`` field names: what the document shows."""
    return tuple(get_args(kind.__annotations__["unit"]))
