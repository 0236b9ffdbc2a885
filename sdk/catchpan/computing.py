"""The computations of the client, generated from acomputing.py by sdk/generate_client.py: change that one."""

from abc import ABC, abstractmethod
from typing import TypeVar

from catchpan.calls import Call, compute
from catchpan.contract.amounts import (
    AmountsAnswer,
    AmountsAnswers,
    AmountsBatch,
    AmountsRequest,
    BoomFlowAnswer,
    BoomFlowAnswers,
    BoomFlowBatch,
    BoomFlowRequest,
    WorkRateAnswer,
    WorkRateAnswers,
    WorkRateBatch,
    WorkRateRequest,
)
from catchpan.contract.checks import (
    CheckCatchAnswer,
    CheckCatchAnswers,
    CheckCatchBatch,
    CheckCatchRequest,
    CheckSeriesAnswer,
    CheckSeriesAnswers,
    CheckSeriesBatch,
    CheckSeriesRequest,
    FieldCheckAnswer,
    FieldCheckAnswers,
    FieldCheckBatch,
    FieldCheckRequest,
)
from catchpan.contract.comparisons import ComparisonAnswer, ComparisonAnswers, ComparisonBatch, ComparisonRequest
from catchpan.contract.coverages import CoverageAnswer, CoverageAnswers, CoverageBatch, CoverageRequest
from catchpan.contract.curves import FlowCurveAnswer, FlowCurveAnswers, FlowCurveBatch, FlowCurveRequest
from catchpan.contract.edges import EdgeAnswer, EdgeAnswers, EdgeBatch, EdgeRequest
from catchpan.contract.flights import FlightAnswer, FlightAnswers, FlightBatch, FlightRequest
from catchpan.contract.gate_stops import GateStopsAnswer, GateStopsAnswers, GateStopsBatch, GateStopsRequest
from catchpan.contract.gate_table import GateTableAnswer, GateTableAnswers, GateTableBatch, GateTableRequest
from catchpan.contract.granules import GranulesAnswer, GranulesAnswers, GranulesBatch, GranulesRequest
from catchpan.contract.ground_speeds import GroundSpeedAnswer, GroundSpeedAnswers, GroundSpeedBatch, GroundSpeedRequest
from catchpan.contract.openings import (
    ChartAnswer,
    ChartAnswers,
    ChartBatch,
    ChartRequest,
    OpeningAnswer,
    OpeningAnswers,
    OpeningBatch,
    OpeningRequest,
)
from catchpan.contract.overlaps import OverlapAnswer, OverlapAnswers, OverlapBatch, OverlapRequest
from catchpan.contract.plans import CatchPlanAnswer, CatchPlanAnswers, CatchPlanBatch, CatchPlanRequest
from catchpan.contract.priors import (
    PriorAnswer,
    PriorAnswers,
    PriorBatch,
    PriorRequest,
    ProvisionalAnswer,
    ProvisionalAnswers,
    ProvisionalBatch,
    ProvisionalRequest,
)
from catchpan.contract.throws import ThrowAnswer, ThrowAnswers, ThrowBatch, ThrowRequest

T = TypeVar("T")


class Computing(ABC):
    """One method for each computation, and one for a batch of it: nothing is stored."""

    @abstractmethod
    def run(self, call: Call[T], *, idempotency_key: str | None = None) -> T:
        """Send a call and read its answer."""

    def flow_curve(self, request: FlowCurveRequest) -> FlowCurveAnswer:
        """Turn catches into a flow curve."""
        return self.run(compute("flow-curve", FlowCurveAnswer, request))

    def flow_curves(self, batch: FlowCurveBatch) -> FlowCurveAnswers:
        """Turn several sets of catches into flow curves, each a result or a problem."""
        return self.run(compute("flow-curves", FlowCurveAnswers, batch))

    def opening(self, request: OpeningRequest) -> OpeningAnswer:
        """Turn a rate into an opening."""
        return self.run(compute("opening", OpeningAnswer, request))

    def openings(self, batch: OpeningBatch) -> OpeningAnswers:
        """Turn several rates into openings, each a result or a problem."""
        return self.run(compute("openings", OpeningAnswers, batch))

    def opening_chart(self, request: ChartRequest) -> ChartAnswer:
        """Turn a grid of rates and speeds into openings."""
        return self.run(compute("opening-chart", ChartAnswer, request))

    def opening_charts(self, batch: ChartBatch) -> ChartAnswers:
        """Make several charts, each a result or a problem."""
        return self.run(compute("opening-charts", ChartAnswers, batch))

    def overlap(self, request: OverlapRequest) -> OverlapAnswer:
        """Turn a pan test into a pattern, its overlap, and a pass spacing."""
        return self.run(compute("overlap", OverlapAnswer, request))

    def overlaps(self, batch: OverlapBatch) -> OverlapAnswers:
        """Evaluate several pan tests, each a result or a problem."""
        return self.run(compute("overlaps", OverlapAnswers, batch))

    def gate_table(self, request: GateTableRequest) -> GateTableAnswer:
        """Choose the fewest rows of a controller's table."""
        return self.run(compute("gate-table", GateTableAnswer, request))

    def gate_tables(self, batch: GateTableBatch) -> GateTableAnswers:
        """Choose the fewest rows of a controller's table: several at once, each a result or a problem."""
        return self.run(compute("gate-tables", GateTableAnswers, batch))

    def gate_stops(self, request: GateStopsRequest) -> GateStopsAnswer:
        """Turn openings into actuator positions and back."""
        return self.run(compute("gate-stops", GateStopsAnswer, request))

    def gates_stops(self, batch: GateStopsBatch) -> GateStopsAnswers:
        """Turn openings into actuator positions and back: several at once, each a result or a problem."""
        return self.run(compute("gates-stops", GateStopsAnswers, batch))

    def ground_speed(self, request: GroundSpeedRequest) -> GroundSpeedAnswer:
        """Measure ground speed over a course."""
        return self.run(compute("ground-speed", GroundSpeedAnswer, request))

    def ground_speeds(self, batch: GroundSpeedBatch) -> GroundSpeedAnswers:
        """Measure ground speed over a course: several at once, each a result or a problem."""
        return self.run(compute("ground-speeds", GroundSpeedAnswers, batch))

    def machine_comparison(self, request: ComparisonRequest) -> ComparisonAnswer:
        """Compare machines of a kind."""
        return self.run(compute("machine-comparison", ComparisonAnswer, request))

    def machine_comparisons(self, batch: ComparisonBatch) -> ComparisonAnswers:
        """Compare machines of a kind: several at once, each a result or a problem."""
        return self.run(compute("machine-comparisons", ComparisonAnswers, batch))

    def granules(self, request: GranulesRequest) -> GranulesAnswer:
        """Find the size guide number and the uniformity index."""
        return self.run(compute("granules", GranulesAnswer, request))

    def granules_batch(self, batch: GranulesBatch) -> GranulesAnswers:
        """Find the size guide number and the uniformity index: several at once, each a result or a problem."""
        return self.run(compute("granules-batch", GranulesAnswers, batch))

    def amounts(self, request: AmountsRequest) -> AmountsAnswer:
        """Work out product, bags, cost and nutrients for an area."""
        return self.run(compute("amounts", AmountsAnswer, request))

    def amounts_batch(self, batch: AmountsBatch) -> AmountsAnswers:
        """Work out product, bags, cost and nutrients for an area: several at once, each a result or a problem."""
        return self.run(compute("amounts-batch", AmountsAnswers, batch))

    def work_rate(self, request: WorkRateRequest) -> WorkRateAnswer:
        """Work out the area done in an hour."""
        return self.run(compute("work-rate", WorkRateAnswer, request))

    def work_rates(self, batch: WorkRateBatch) -> WorkRateAnswers:
        """Work out the area done in an hour: several at once, each a result or a problem."""
        return self.run(compute("work-rates", WorkRateAnswers, batch))

    def boom_flow(self, request: BoomFlowRequest) -> BoomFlowAnswer:
        """Work out what a spray boom must give."""
        return self.run(compute("boom-flow", BoomFlowAnswer, request))

    def boom_flows(self, batch: BoomFlowBatch) -> BoomFlowAnswers:
        """Work out what a spray boom must give: several at once, each a result or a problem."""
        return self.run(compute("boom-flows", BoomFlowAnswers, batch))

    def catch_plan(self, request: CatchPlanRequest) -> CatchPlanAnswer:
        """Plan which openings to catch at, how long and how often."""
        return self.run(compute("catch-plan", CatchPlanAnswer, request))

    def catch_plans(self, batch: CatchPlanBatch) -> CatchPlanAnswers:
        """Make several plans, each a result or a problem."""
        return self.run(compute("catch-plans", CatchPlanAnswers, batch))

    def throw(self, request: ThrowRequest) -> ThrowAnswer:
        """Turn observed throws into a law of throw by impeller speed."""
        return self.run(compute("throw", ThrowAnswer, request))

    def throws(self, batch: ThrowBatch) -> ThrowAnswers:
        """Turn several sets of throws into laws, each a result or a problem."""
        return self.run(compute("throws", ThrowAnswers, batch))

    def flight(self, request: FlightRequest) -> FlightAnswer:
        """Compute where granules land."""
        return self.run(compute("flight", FlightAnswer, request))

    def flights(self, batch: FlightBatch) -> FlightAnswers:
        """Compute several flights, each a result or a problem."""
        return self.run(compute("flights", FlightAnswers, batch))

    def check_catch(self, request: CheckCatchRequest) -> CheckCatchAnswer:
        """Decide on check catches."""
        return self.run(compute("check-catch", CheckCatchAnswer, request))

    def check_catches(self, batch: CheckCatchBatch) -> CheckCatchAnswers:
        """Decide on several checks, each a result or a problem."""
        return self.run(compute("check-catches", CheckCatchAnswers, batch))

    def field_check(self, request: FieldCheckRequest) -> FieldCheckAnswer:
        """Compare material used with distance and area."""
        return self.run(compute("field-check", FieldCheckAnswer, request))

    def field_checks(self, batch: FieldCheckBatch) -> FieldCheckAnswers:
        """Make several field checks, each a result or a problem."""
        return self.run(compute("field-checks", FieldCheckAnswers, batch))

    def check_series(self, request: CheckSeriesRequest) -> CheckSeriesAnswer:
        """Chart a machine's checks over time."""
        return self.run(compute("check-series", CheckSeriesAnswer, request))

    def check_series_batch(self, batch: CheckSeriesBatch) -> CheckSeriesAnswers:
        """Chart the checks of several machines, each a result or a problem."""
        return self.run(compute("check-series-batch", CheckSeriesAnswers, batch))

    def prior(self, request: PriorRequest) -> PriorAnswer:
        """Turn a fleet's catch sets into a prior."""
        return self.run(compute("prior", PriorAnswer, request))

    def priors(self, batch: PriorBatch) -> PriorAnswers:
        """Make several priors, each a result or a problem."""
        return self.run(compute("priors", PriorAnswers, batch))

    def provisional_curve(self, request: ProvisionalRequest) -> ProvisionalAnswer:
        """Correct a borrowed curve by check catches."""
        return self.run(compute("provisional-curve", ProvisionalAnswer, request))

    def provisional_curves(self, batch: ProvisionalBatch) -> ProvisionalAnswers:
        """Correct several borrowed curves, each a result or a problem."""
        return self.run(compute("provisional-curves", ProvisionalAnswers, batch))

    def edge(self, request: EdgeRequest) -> EdgeAnswer:
        """Find how far from an edge to drive, and where the first overlapped pass goes."""
        return self.run(compute("edge", EdgeAnswer, request))

    def edges(self, batch: EdgeBatch) -> EdgeAnswers:
        """Work out several edges, each a result or a problem."""
        return self.run(compute("edges", EdgeAnswers, batch))

    def coverage(self, request: CoverageRequest) -> CoverageAnswer:
        """Drive passes over an outline, and map what they leave."""
        return self.run(compute("coverage", CoverageAnswer, request))

    def coverages(self, batch: CoverageBatch) -> CoverageAnswers:
        """Map several outlines, each a result or a problem."""
        return self.run(compute("coverages", CoverageAnswers, batch))
