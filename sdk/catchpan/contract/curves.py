"""``compute/flow-curve``: timed and weighed catches become a flow curve that says how sure it is."""

from typing import Annotated, Literal

from msgspec import Meta

from catchpan.contract.base import Instant, Note, OpenEnum, ShortNote, Wire
from catchpan.contract.findings import Finding
from catchpan.contract.problems import Problem
from catchpan.quantities import Flow, Flows, Mass, Ratio, Time

Stream = Literal["steady", "pulsing", "stopped"]
Gates = Literal["both", "left", "right"]
Weighting = Literal["uncertainty", "equal"]
AskedForm = Literal["auto", "offset_power", "power", "monotone"]
MAX_CATCHES = 200
MAX_BATCH = 500


class Form(OpenEnum):
    """The mathematical form of a fitted curve."""

    OFFSET_POWER = "offset_power"
    POWER = "power"
    MONOTONE = "monotone"


class WhyUnused(OpenEnum):
    """Why a catch took no part in the fit."""

    PULSING = "pulsing"
    STOPPED = "stopped"
    BALANCE_ONLY = "balance_only"
    OTHER_GATE_MISSING = "other_gate_missing"


class Catch(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """One timed and weighed discharge at one opening: ``mass`` (net), or ``gross`` and ``tare``."""

    opening: Ratio
    duration: Time
    mass: Mass | None = None
    gross: Mass | None = None
    tare: Mass | None = None
    stream: Stream = "steady"
    gates: Gates = "both"
    note: Note = ""
    lot: ShortNote = ""


class Curve(Wire, kw_only=True, frozen=True):
    """A flow curve, portable: it goes whole into every later call, and into a profile.

    Its units are fixed (g/s and 1) and its numbers have 12 significant digits, so that its digest never depends on
    who asked. ``covariance`` is that of (ln flow_scale, dead_opening, exponent), without the shared component;
    ``knot_openings`` are the used openings, for the form ``monotone`` with the pooled flows and their uncertainty.
    """

    form: Form
    algorithm: Annotated[str, Meta(max_length=60, examples=["offset_power/1"])]
    weighting: Weighting
    gates: Gates
    left_share: float | None
    flow_scale: Flow | None
    dead_opening: float | None
    exponent: float | None
    knot_openings: Annotated[list[float], Meta(max_length=MAX_CATCHES)]
    knot_flows: Flows | None
    knot_uncertainties: Flows | None
    covariance: Annotated[list[Annotated[list[float], Meta(max_length=MAX_CATCHES)]], Meta(max_length=MAX_CATCHES)]
    degrees_of_freedom: float | None
    smallest_opening: float
    largest_opening: float
    smallest_steady_opening: float | None
    largest_unsteady_opening: float | None
    opening_uncertainty: float
    shared_uncertainty: float


class Prior(Wire, kw_only=True, frozen=True):
    """What is known beforehand of exponent and dead opening: mean, standard deviation, and their correlation."""

    exponent: float
    exponent_uncertainty: float
    dead_opening: float
    dead_opening_uncertainty: float
    correlation: float = 0.0


class FlowCurveRequest(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """Catches of one material on one machine, and how to fit them.

    ``prior``, from ``compute/prior``, stands in for the usual shape where openings are too few to show it.
    ``reference`` is another curve of the same material; with it, and with the times when the bag was opened and the
    catches were made, findings can say more. The curve does not rest on them.
    """

    catches: Annotated[list[Catch], Meta(min_length=1, max_length=MAX_CATCHES)]
    form: AskedForm = "auto"
    weighting: Weighting = "uncertainty"
    scale_readability: Mass | None = None
    timer_uncertainty: Time | None = None
    opening_uncertainty: Ratio | None = None
    shared_uncertainty: Ratio | None = None
    repeatability: Ratio | None = None
    prior: Prior | None = None
    reference: Curve | None = None
    bag_opened: Instant | None = None
    caught: Instant | None = None


class Point(Wire, kw_only=True, frozen=True):
    """One catch as the fit saw it; ``residual`` is measured minus curve."""

    opening: Ratio
    flow: Flow
    standard_uncertainty: Flow
    residual: Flow | None
    used: bool
    why_unused: WhyUnused | None


class PooledOpening(Wire, kw_only=True, frozen=True):
    """The catches at one opening, taken together."""

    opening: Ratio
    catches: int
    flow: Flow
    standard_uncertainty: Flow
    residual: Flow
    prior_moved: Ratio | None


class FlowParameter(Wire, kw_only=True, frozen=True):
    """A parameter with the dimension of a flow."""

    value: float
    standard_uncertainty: float | None
    unit: Literal["lb/min", "kg/min", "g/s"]


class NumberParameter(Wire, kw_only=True, frozen=True):
    """A parameter without a dimension; an opening is told as a share from 0 to 1."""

    value: float
    standard_uncertainty: float | None


class Parameters(Wire, kw_only=True, frozen=True):
    """flow = flow_scale × (opening − dead_opening) ^ exponent, openings from 0 to 1; ``power`` has no dead opening."""

    flow_scale: FlowParameter
    dead_opening: NumberParameter | None
    exponent: NumberParameter


class Fit(Wire, kw_only=True, frozen=True):
    """How the curve was fitted, and how well."""

    form: Form
    parameters: Parameters | None
    correlation: list[list[float]] | None
    chi_square: float
    residual_sum_of_squares: float
    residual_sum_of_squares_unit: Literal["(lb/min)^2", "(kg/min)^2", "(g/s)^2"]
    residual_standard_deviation: Flow | None
    degrees_of_freedom: int
    lack_of_fit_p: float | None
    at_bound: list[str]
    converged: bool
    prior_influence: Ratio | None


class OpeningRange(Wire, kw_only=True, frozen=True):
    """From ``low`` to ``high``."""

    low: Ratio
    high: Ratio


class FlowRange(Wire, kw_only=True, frozen=True):
    """From ``low`` to ``high``."""

    low: Flow
    high: Flow


class Basis(OpenEnum):
    """Where a component of the uncertainty comes from."""

    ESTIMATED = "estimated"
    PARTLY_ASSUMED = "partly_assumed"
    ASSUMED = "assumed"
    GIVEN = "given"


class Component(Wire, kw_only=True, frozen=True):
    """One component of the uncertainty: relative to the flow, the one of ``opening`` a share of the gate's range.

    ``degrees_of_freedom`` is null where the value was not estimated.
    """

    value: Ratio
    basis: Basis
    degrees_of_freedom: float | None


class Budget(Wire, kw_only=True, frozen=True):
    """Where the uncertainty comes from; ``type_b`` (readability, timer) is that of the worst used catch."""

    repeatability: Component
    type_b: Component
    shared: Component
    opening: Component


class Balance(Wire, kw_only=True, frozen=True):
    """How left and right share the flow; ``difference`` is ln(left/right), + where the left gives more."""

    left_share: Ratio
    difference: Ratio
    standard_uncertainty: Ratio
    openings: int


class FlowCurveAnswer(Wire, kw_only=True, frozen=True):
    """The curve, the points it came from, and what a person should look at."""

    curve: Curve
    points: list[Point]
    openings: list[PooledOpening]
    fit: Fit
    opening_range: OpeningRange
    flow_range: FlowRange
    smallest_steady_opening: Ratio | None
    largest_unsteady_opening: Ratio | None
    budget: Budget
    balance: Balance | None
    findings: list[Finding]


class FlowCurveBatch(Wire, kw_only=True, frozen=True):
    """Several sets of catches; the answers come in the same order."""

    items: Annotated[list[FlowCurveRequest], Meta(max_length=MAX_BATCH)]


class FlowCurveItem(Wire, kw_only=True, frozen=True):
    """The result or the problem of one item of a batch."""

    result: FlowCurveAnswer | None = None
    problem: Problem | None = None


class FlowCurveAnswers(Wire, kw_only=True, frozen=True):
    """Answers to a batch, in its order."""

    items: list[FlowCurveItem]
