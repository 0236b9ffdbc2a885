"""The table of computations: everything that tells one from another."""

from dataclasses import dataclass
from types import ModuleType
from typing import Any

from catchpan.contract import (
    amounts,
    checks,
    comparisons,
    coverages,
    curves,
    edges,
    flights,
    gate_stops,
    gate_table,
    granules,
    ground_speeds,
    openings,
    overlaps,
    plans,
    priors,
    throws,
)
from catchpan_service.examples import checks as checking
from catchpan_service.examples import job, machines, spreading
from catchpan_service.si import amounts as quantities
from catchpan_service.si import checks as judging
from catchpan_service.si import coverages as maps
from catchpan_service.si import curves as fits
from catchpan_service.si import edges as borders
from catchpan_service.si import machines as gear
from catchpan_service.si import openings as settings
from catchpan_service.si import overlaps as pan_tests
from catchpan_service.si import plans as planning
from catchpan_service.si import priors as lending
from catchpan_service.si import throws as throwing
from catchpan_service.si.finite import Solve, SolveMany


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
        spreading.PAN_TEST,
    ),
    Computation(
        "catch-plan",
        "catch-plans",
        "Which openings to catch at, how long and how often",
        "The catches that make the curve sure enough where crews work, within bucket and bag.",
        plans,
        "CatchPlan",
        planning.solve,
        machines.CATCH_PLAN,
    ),
    Computation(
        "gate-table",
        "gate-tables",
        "Fewest rows of a controller's table",
        "The fewest openings and flows whose straight lines stay within a tolerance of a curve.",
        gate_table,
        "GateTable",
        gear.solve_gate_table,
        machines.GATE_TABLE,
    ),
    Computation(
        "gate-stops",
        "gates-stops",
        "Openings to actuator positions",
        "One gate's stops: positions of openings and back, backlash, and what has moved since last time.",
        gate_stops,
        "GateStops",
        gear.solve_gate_stops,
        machines.GATE_STOPS,
        light=True,
    ),
    Computation(
        "ground-speed",
        "ground-speeds",
        "A timed course to a ground speed",
        "Ground speed over a course, how sure it is, and what the controller makes of the same course.",
        ground_speeds,
        "GroundSpeed",
        gear.solve_ground_speed,
        machines.GROUND_SPEED,
        light=True,
    ),
    Computation(
        "machine-comparison",
        "machine-comparisons",
        "Do several machines deliver the same?",
        "Analysis of variance over machines of a kind: which one stands out, and how much the kind spreads.",
        comparisons,
        "Comparison",
        gear.solve_comparison,
        machines.COMPARISON,
    ),
    Computation(
        "granules",
        "granules-batch",
        "Sieve analysis to SGN and UI",
        "How large the granules are, and how uniform: size guide number and uniformity index.",
        granules,
        "Granules",
        quantities.solve_granules,
        machines.GRANULES,
        light=True,
    ),
    Computation(
        "amounts",
        "amounts-batch",
        "Product, bags, cost and nutrients for an area",
        "What an area takes, from a rate of product or of one nutrient.",
        amounts,
        "Amounts",
        quantities.solve_amounts,
        machines.AMOUNTS,
        light=True,
    ),
    Computation(
        "work-rate",
        "work-rates",
        "Pass spacing and speed to area in an hour",
        "Area done in an hour, and the time that an area takes.",
        amounts,
        "WorkRate",
        quantities.solve_work_rate,
        machines.WORK_RATE,
        light=True,
    ),
    Computation(
        "boom-flow",
        "boom-flows",
        "A spray boom's flow, as a cross-check",
        "What a boom must give in a minute on the same pass spacing and speed.",
        amounts,
        "BoomFlow",
        quantities.solve_boom_flow,
        machines.BOOM_FLOW,
        light=True,
    ),
    Computation(
        "throw",
        "throws",
        "Throw and impeller speed from observed throws",
        "Paced throws: how throw grows with impeller speed on each side, and the speed for a wanted throw.",
        throws,
        "Throw",
        throwing.solve_throw,
        spreading.THROW,
        light=True,
    ),
    Computation(
        "flight",
        "flights",
        "Flight of granules from the disc to the ground",
        "Where granules land by size, angle and wind, and a first impeller speed for a wanted throw.",
        flights,
        "Flight",
        throwing.solve_flight,
        spreading.FLIGHT,
    ),
    Computation(
        "check-catch",
        "check-catches",
        "Check catches to a decision",
        "Check catches against the curve in use: accept, catch again, correct or calibrate again, and how sure.",
        checks,
        "CheckCatch",
        judging.solve_check_catch,
        checking.CHECK_CATCH,
        light=True,
    ),
    Computation(
        "field-check",
        "field-checks",
        "Material used against distance and area",
        "What was laid against what was wanted: flow and speed told apart from driving where the distance is known.",
        checks,
        "FieldCheck",
        judging.solve_field_check,
        checking.FIELD_CHECK,
        light=True,
    ),
    Computation(
        "check-series",
        "check-series-batch",
        "A machine's checks over time",
        "EWMA and CUSUM over standardised checks: drift before a customer sees it, and the false alarms to expect.",
        checks,
        "CheckSeries",
        judging.solve_check_series,
        checking.CHECK_SERIES,
    ),
    Computation(
        "prior",
        "priors",
        "A fleet's catch sets to a prior",
        "What the curves of other materials on the same kind of machine say of the next one's shape.",
        priors,
        "Prior",
        lending.solve_prior,
        checking.PRIOR,
    ),
    Computation(
        "provisional-curve",
        "provisional-curves",
        "A borrowed curve, corrected",
        "The curve of a like material, corrected by check catches at two openings and as unsure as it should be.",
        priors,
        "Provisional",
        lending.solve_provisional,
        checking.PROVISIONAL,
        light=True,
    ),
    Computation(
        "edge",
        "edges",
        "Pan test to edge passes",
        "How far from an edge to drive, what still lands beyond it, and where the first overlapped pass goes.",
        edges,
        "Edge",
        borders.solve,
        spreading.EDGE,
    ),
    Computation(
        "coverage",
        "coverages",
        "Passes over an outline to a coverage map",
        "Passes over real ground with its beds and ponds, what they leave on it, and what lands where none should."
        " Machines spread while their middle is inside, straight across the pass; turns and wind are left out.",
        coverages,
        "Coverage",
        maps.solve,
        spreading.COVERAGE,
    ),
)


def operation_id(name: str) -> str:
    """The operation id of a computation's path."""
    return "compute" + name.title().replace("-", "")


def examples() -> dict[str, Any]:
    """A request for each operation, by its id."""
    singles = {operation_id(thing.name): thing.example for thing in COMPUTATIONS}
    return singles | {operation_id(thing.plural): {"items": [thing.example]} for thing in COMPUTATIONS}
