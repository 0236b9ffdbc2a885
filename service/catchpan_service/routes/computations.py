"""The table of computations: everything that tells one from another."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from types import ModuleType
from typing import Any

from catchpan.contract import curves, openings, overlaps
from catchpan.quantities import System
from catchpan_service.examples import job
from catchpan_service.si import curves as fits
from catchpan_service.si import openings as settings
from catchpan_service.si import overlaps as pan_tests

Solve = Callable[[Any, System], Any]
SolveMany = Callable[[Sequence[Any], System], Sequence[Any]]


@dataclass(frozen=True)
class Computation:
    """One computation.

    Attributes
    ----------
    name, plural : str
        Last part of the path, for one and for a batch.
    summary, words : str
        What the document says of it.
    contract : module
        Where its wire types are: ``<types>Request``, ``Answer``, ``Batch``, ``Item`` and ``Answers``.
    types : str
        What their names begin with.
    solve : callable
        One request and a system of units to an answer; CalibrationError where there is none.
    example : dict
        A request of the invented company.
    solve_many : callable, optional
        Many requests at once, each an answer or its error; one after another by default.
    light : bool
        True for one that takes under 2 ms: it runs in line.
    """

    name: str
    plural: str
    summary: str
    words: str
    contract: ModuleType
    types: str
    solve: Solve
    example: dict[str, Any]
    solve_many: SolveMany | None = None
    light: bool = False

    def wire(self, part: str) -> type[Any]:
        """The wire type that ends with ``Request``, ``Answer``, ``Batch``, ``Item`` or ``Answers``."""
        kind: type[Any] = getattr(self.contract, self.types + part)
        return kind


COMPUTATIONS = (
    Computation(
        "flow-curve",
        "flow-curves",
        "Catches to a flow curve",
        "Timed and weighed catches: the flow curve, how sure it is, and what a person should look at.",
        curves,
        "FlowCurve",
        fits.solve,
        {"catches": job.CATCHES},
        fits.solve_many,
        light=True,
    ),
    Computation(
        "opening",
        "openings",
        "Rate to opening",
        "The opening that lays a rate, for a pass and a ground speed, and how sure it is.",
        openings,
        "Opening",
        settings.solve,
        job.OPENING,
        light=True,
    ),
    Computation(
        "opening-chart",
        "opening-charts",
        "Openings for rates and speeds",
        "The opening for every rate at every ground speed.",
        openings,
        "Chart",
        settings.solve_chart,
        job.CHART,
    ),
    Computation(
        "overlap",
        "overlaps",
        "Pan test to pattern and overlap",
        "A row of pans under a pass: the pattern, what the overlap does, and the pass spacing to drive.",
        overlaps,
        "Overlap",
        pan_tests.solve,
        job.PAN_TEST,
    ),
)


def operation_id(name: str) -> str:
    """The operation id of a computation's path."""
    return "compute" + name.title().replace("-", "")


def examples() -> dict[str, Any]:
    """A request for each operation, by its id."""
    singles = {operation_id(thing.name): thing.example for thing in COMPUTATIONS}
    return singles | {operation_id(thing.plural): {"items": [thing.example]} for thing in COMPUTATIONS}
