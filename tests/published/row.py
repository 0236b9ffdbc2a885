"""One home for a value that is printed outside the project: what it is, who prints it, and what gives it here."""

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike

Basis = Literal["read", "from memory", "computed"]

FEW: Final = 4
"""So many values are shown in full."""

SURE: Final = 10
"""Significant digits in which processors agree."""


@dataclass(frozen=True)
class Row:
    """Printed values, and the computation that gives them.

    Attributes
    ----------
    computation : str
        What is computed, of what, and the unit.
    source : str
        Who prints it; for a computed value by what it was computed.
    printed : str
        The values as printed, with spaces between.
    ours : callable
        Gives as many values.
    basis : str
        ``read`` in the source, recalled ``from memory``, or ``computed`` outside the project.
    exact : str
        The same values to more digits, computed from the same inputs, where a print rounds or truncates.
    near, share : float, optional
        Largest difference from the print, absolute or relative; by default half a unit of each last digit.
    """

    computation: str
    source: str
    printed: str
    ours: Callable[[], ArrayLike]
    basis: Basis = "read"
    exact: str = ""
    near: float | None = None
    share: float | None = None

    def __str__(self) -> str:
        return self.computation

    def values(self) -> list[float]:
        """Ours."""
        return [float(one) for one in np.ravel(self.ours())]

    def check(self) -> None:
        """Hold ours against the print, and against the more exact values where there are any."""
        ours = self.values()
        self._compare(ours, self.printed, self.near, self.share)
        if self.exact:
            self._compare(ours, self.exact, None, None)

    def _compare(self, ours: list[float], told: str, near: float | None, share: float | None) -> None:
        values = told.split()
        assert len(ours) == len(values), f"{self}: {len(ours)} values for {told}"
        for own, value in zip(ours, values, strict=True):
            allowed = (
                near if near is not None else last_digit(value) / 2 if share is None else share * abs(float(value))
            )
            off = abs(own - float(value))
            assert off <= allowed * (1 + 1e-9), f"{self}: {own!r} for {value} of {self.source}"

    def line(self) -> str:
        """The row of a Markdown table."""
        digits = (self.exact or self.printed).split()
        ours = [rounded(own, value) for own, value in zip(self.values(), digits, strict=True)]
        cells = (self.computation, self.source, shortened(self.printed.split()), shortened(ours), self.basis)
        return f"| {' | '.join(cells)} |"


def last_digit(value: str) -> float:
    """What one unit of the last digit of a printed number stands for."""
    return float(Decimal(1).scaleb(int(Decimal(value).as_tuple().exponent)))


def rounded(value: float, like: str) -> str:
    """The value with the decimals of a printed one, as far as every processor computes them."""
    text = f"{Decimal(f'{value:.{SURE}g}').quantize(Decimal(1).scaleb(_exponent(value, like))):f}"
    return text.lstrip("-") if float(text) == 0 else text


def _exponent(value: float, like: str) -> int:
    """Exponent of the last digit that is shown."""
    first = Decimal(value).adjusted()
    return max(int(Decimal(like).as_tuple().exponent), first - SURE + 1)


def shortened(values: list[str]) -> str:
    """A few values in full, of many the ends and their count."""
    if len(values) <= FEW:
        return ", ".join(values)
    return f"{values[0]}, {values[1]} … {values[-1]} ({len(values)})"
