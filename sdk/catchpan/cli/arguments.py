"""Quantities as command-line arguments: ``--rate "2.8 lb/1000ft2"``."""

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Annotated, Any, TypeVar

from cyclopts import Parameter, Token

from catchpan.quantities import (
    Angle,
    Area,
    Density,
    Flow,
    Length,
    Mass,
    Quantity,
    Rate,
    Ratio,
    Rotation,
    Speed,
    Time,
    Volume,
    parse,
)

Q = TypeVar("Q", bound=Quantity)


def moment_of(given: datetime | None) -> datetime:
    """An instant in UTC and whole seconds: the one that was given, in the zone of this machine without one, or now."""
    moment = datetime.now(UTC) if given is None else given.astimezone(UTC)
    return moment.replace(microsecond=0)


def _reader(kind: type[Quantity]) -> Any:
    def read(_type: Any, tokens: Sequence[Token]) -> Quantity:
        return parse(kind, tokens[0].value)

    return Parameter(converter=read, n_tokens=1)


def _many(kind: type[Quantity]) -> Any:
    def read(_type: Any, tokens: Sequence[Token]) -> list[Quantity]:
        return [parse(kind, token.value) for token in tokens]

    return Parameter(converter=read, n_tokens=1, negative="")


AnAngle = Annotated[Angle, _reader(Angle)]
ADensity = Annotated[Density, _reader(Density)]
ARotation = Annotated[Rotation, _reader(Rotation)]
AnArea = Annotated[Area, _reader(Area)]
AMass = Annotated[Mass, _reader(Mass)]
ALength = Annotated[Length, _reader(Length)]
AFlow = Annotated[Flow, _reader(Flow)]
ATime = Annotated[Time, _reader(Time)]
ASpeed = Annotated[Speed, _reader(Speed)]
ARate = Annotated[Rate, _reader(Rate)]
ARatio = Annotated[Ratio, _reader(Ratio)]
SomeMasses = Annotated[list[Mass], _many(Mass)]
SomeLengths = Annotated[list[Length], _many(Length)]
SomeRates = Annotated[list[Rate], _many(Rate)]
SomeRatios = Annotated[list[Ratio], _many(Ratio)]
SomeTimes = Annotated[list[Time], _many(Time)]
AVolume = Annotated[Volume, _reader(Volume)]
SomeAngles = Annotated[list[Angle], _many(Angle)]
SomeRotations = Annotated[list[Rotation], _many(Rotation)]
SomeSpeeds = Annotated[list[Speed], _many(Speed)]
