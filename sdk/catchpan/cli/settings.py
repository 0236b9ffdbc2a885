"""Passes and work rates as they are typed: short lists with commas."""

from catchpan.contract.profiles import Pass, WorkRate
from catchpan.errors import QuantityError, TableError
from catchpan.quantities import Length, Rate, Speed, parse

_SHAPES = {"--pass": "name, overlapped or edge, width", "--work": "purpose, rate, speed, name of the pass"}


def parse_pass(text: str) -> Pass:
    """A pass from ``"open lawn, overlapped, 11 ft"``; TableError says what is missing."""
    name, kind, width = _parts(text, "--pass", 3)
    if kind not in ("overlapped", "edge"):
        raise TableError(f"--pass {text!r}: {kind!r} is neither overlapped nor edge")
    try:
        return Pass(name=name, purpose=name, kind=kind, width=parse(Length, width))  # type: ignore[arg-type]
    except QuantityError as error:
        raise TableError(f"--pass {text!r}: {error}") from error


def parse_work(text: str) -> WorkRate:
    """A work rate from ``"feeding, 3.2 lb/1000ft2, 3.5 mph, open lawn"``; TableError says what is missing."""
    purpose, rate, speed, name = _parts(text, "--work", 4)
    try:
        return WorkRate(purpose=purpose, rate=parse(Rate, rate), speed=parse(Speed, speed), pass_name=name)
    except QuantityError as error:
        raise TableError(f"--work {text!r}: {error}") from error


def _parts(text: str, option: str, count: int) -> list[str]:
    parts = [part.strip() for part in text.split(",")]
    if len(parts) != count or not all(parts):
        raise TableError(f"{option} {text!r}: write {_SHAPES[option]}")
    return parts
