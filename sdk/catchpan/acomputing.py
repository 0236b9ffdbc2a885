"""The computations of the asynchronous client. The synchronous twin, computing.py, is generated from it."""

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


class AsyncComputing(ABC):
    """One method for each computation, and one for a batch of it: nothing is stored."""

    @abstractmethod
    async def run(self, call: Call[T], *, idempotency_key: str | None = None) -> T:
        """Send a call and read its answer."""

    async def flow_curve(self, request: FlowCurveRequest) -> FlowCurveAnswer:
        """Turn catches into a flow curve."""
        return await self.run(compute("flow-curve", FlowCurveAnswer, request))

    async def flow_curves(self, batch: FlowCurveBatch) -> FlowCurveAnswers:
        """Turn several sets of catches into flow curves, each a result or a problem."""
        return await self.run(compute("flow-curves", FlowCurveAnswers, batch))

    async def opening(self, request: OpeningRequest) -> OpeningAnswer:
        """Turn a rate into an opening."""
        return await self.run(compute("opening", OpeningAnswer, request))

    async def openings(self, batch: OpeningBatch) -> OpeningAnswers:
        """Turn several rates into openings, each a result or a problem."""
        return await self.run(compute("openings", OpeningAnswers, batch))

    async def opening_chart(self, request: ChartRequest) -> ChartAnswer:
        """Turn a grid of rates and speeds into openings."""
        return await self.run(compute("opening-chart", ChartAnswer, request))

    async def opening_charts(self, batch: ChartBatch) -> ChartAnswers:
        """Make several charts, each a result or a problem."""
        return await self.run(compute("opening-charts", ChartAnswers, batch))

    async def overlap(self, request: OverlapRequest) -> OverlapAnswer:
        """Turn a pan test into a pattern, its overlap, and a pass spacing."""
        return await self.run(compute("overlap", OverlapAnswer, request))

    async def overlaps(self, batch: OverlapBatch) -> OverlapAnswers:
        """Evaluate several pan tests, each a result or a problem."""
        return await self.run(compute("overlaps", OverlapAnswers, batch))

    async def gate_table(self, request: GateTableRequest) -> GateTableAnswer:
        """Choose the fewest rows of a controller's table."""
        return await self.run(compute("gate-table", GateTableAnswer, request))

    async def gate_tables(self, batch: GateTableBatch) -> GateTableAnswers:
        """Choose the fewest rows of a controller's table: several at once, each a result or a problem."""
        return await self.run(compute("gate-tables", GateTableAnswers, batch))

    async def gate_stops(self, request: GateStopsRequest) -> GateStopsAnswer:
        """Turn openings into actuator positions and back."""
        return await self.run(compute("gate-stops", GateStopsAnswer, request))

    async def gates_stops(self, batch: GateStopsBatch) -> GateStopsAnswers:
        """Turn openings into actuator positions and back: several at once, each a result or a problem."""
        return await self.run(compute("gates-stops", GateStopsAnswers, batch))

    async def ground_speed(self, request: GroundSpeedRequest) -> GroundSpeedAnswer:
        """Measure ground speed over a course."""
        return await self.run(compute("ground-speed", GroundSpeedAnswer, request))

    async def ground_speeds(self, batch: GroundSpeedBatch) -> GroundSpeedAnswers:
        """Measure ground speed over a course: several at once, each a result or a problem."""
        return await self.run(compute("ground-speeds", GroundSpeedAnswers, batch))

    async def machine_comparison(self, request: ComparisonRequest) -> ComparisonAnswer:
        """Compare machines of a kind."""
        return await self.run(compute("machine-comparison", ComparisonAnswer, request))

    async def machine_comparisons(self, batch: ComparisonBatch) -> ComparisonAnswers:
        """Compare machines of a kind: several at once, each a result or a problem."""
        return await self.run(compute("machine-comparisons", ComparisonAnswers, batch))

    async def granules(self, request: GranulesRequest) -> GranulesAnswer:
        """Find the size guide number and the uniformity index."""
        return await self.run(compute("granules", GranulesAnswer, request))

    async def granules_batch(self, batch: GranulesBatch) -> GranulesAnswers:
        """Find the size guide number and the uniformity index: several at once, each a result or a problem."""
        return await self.run(compute("granules-batch", GranulesAnswers, batch))

    async def amounts(self, request: AmountsRequest) -> AmountsAnswer:
        """Work out product, bags, cost and nutrients for an area."""
        return await self.run(compute("amounts", AmountsAnswer, request))

    async def amounts_batch(self, batch: AmountsBatch) -> AmountsAnswers:
        """Work out product, bags, cost and nutrients for an area: several at once, each a result or a problem."""
        return await self.run(compute("amounts-batch", AmountsAnswers, batch))

    async def work_rate(self, request: WorkRateRequest) -> WorkRateAnswer:
        """Work out the area done in an hour."""
        return await self.run(compute("work-rate", WorkRateAnswer, request))

    async def work_rates(self, batch: WorkRateBatch) -> WorkRateAnswers:
        """Work out the area done in an hour: several at once, each a result or a problem."""
        return await self.run(compute("work-rates", WorkRateAnswers, batch))

    async def boom_flow(self, request: BoomFlowRequest) -> BoomFlowAnswer:
        """Work out what a spray boom must give."""
        return await self.run(compute("boom-flow", BoomFlowAnswer, request))

    async def boom_flows(self, batch: BoomFlowBatch) -> BoomFlowAnswers:
        """Work out what a spray boom must give: several at once, each a result or a problem."""
        return await self.run(compute("boom-flows", BoomFlowAnswers, batch))

    async def catch_plan(self, request: CatchPlanRequest) -> CatchPlanAnswer:
        """Plan which openings to catch at, how long and how often."""
        return await self.run(compute("catch-plan", CatchPlanAnswer, request))

    async def catch_plans(self, batch: CatchPlanBatch) -> CatchPlanAnswers:
        """Make several plans, each a result or a problem."""
        return await self.run(compute("catch-plans", CatchPlanAnswers, batch))

    async def throw(self, request: ThrowRequest) -> ThrowAnswer:
        """Turn observed throws into a law of throw by impeller speed."""
        return await self.run(compute("throw", ThrowAnswer, request))

    async def throws(self, batch: ThrowBatch) -> ThrowAnswers:
        """Turn several sets of throws into laws, each a result or a problem."""
        return await self.run(compute("throws", ThrowAnswers, batch))

    async def flight(self, request: FlightRequest) -> FlightAnswer:
        """Compute where granules land."""
        return await self.run(compute("flight", FlightAnswer, request))

    async def flights(self, batch: FlightBatch) -> FlightAnswers:
        """Compute several flights, each a result or a problem."""
        return await self.run(compute("flights", FlightAnswers, batch))

    async def check_catch(self, request: CheckCatchRequest) -> CheckCatchAnswer:
        """Decide on check catches."""
        return await self.run(compute("check-catch", CheckCatchAnswer, request))

    async def check_catches(self, batch: CheckCatchBatch) -> CheckCatchAnswers:
        """Decide on several checks, each a result or a problem."""
        return await self.run(compute("check-catches", CheckCatchAnswers, batch))

    async def field_check(self, request: FieldCheckRequest) -> FieldCheckAnswer:
        """Compare material used with distance and area."""
        return await self.run(compute("field-check", FieldCheckAnswer, request))

    async def field_checks(self, batch: FieldCheckBatch) -> FieldCheckAnswers:
        """Make several field checks, each a result or a problem."""
        return await self.run(compute("field-checks", FieldCheckAnswers, batch))

    async def check_series(self, request: CheckSeriesRequest) -> CheckSeriesAnswer:
        """Chart a machine's checks over time."""
        return await self.run(compute("check-series", CheckSeriesAnswer, request))

    async def check_series_batch(self, batch: CheckSeriesBatch) -> CheckSeriesAnswers:
        """Chart the checks of several machines, each a result or a problem."""
        return await self.run(compute("check-series-batch", CheckSeriesAnswers, batch))

    async def prior(self, request: PriorRequest) -> PriorAnswer:
        """Turn a fleet's catch sets into a prior."""
        return await self.run(compute("prior", PriorAnswer, request))

    async def priors(self, batch: PriorBatch) -> PriorAnswers:
        """Make several priors, each a result or a problem."""
        return await self.run(compute("priors", PriorAnswers, batch))

    async def provisional_curve(self, request: ProvisionalRequest) -> ProvisionalAnswer:
        """Correct a borrowed curve by check catches."""
        return await self.run(compute("provisional-curve", ProvisionalAnswer, request))

    async def provisional_curves(self, batch: ProvisionalBatch) -> ProvisionalAnswers:
        """Correct several borrowed curves, each a result or a problem."""
        return await self.run(compute("provisional-curves", ProvisionalAnswers, batch))

    async def edge(self, request: EdgeRequest) -> EdgeAnswer:
        """Find how far from an edge to drive, and where the first overlapped pass goes."""
        return await self.run(compute("edge", EdgeAnswer, request))

    async def edges(self, batch: EdgeBatch) -> EdgeAnswers:
        """Work out several edges, each a result or a problem."""
        return await self.run(compute("edges", EdgeAnswers, batch))

    async def coverage(self, request: CoverageRequest) -> CoverageAnswer:
        """Drive passes over an outline, and map what they leave."""
        return await self.run(compute("coverage", CoverageAnswer, request))

    async def coverages(self, batch: CoverageBatch) -> CoverageAnswers:
        """Map several outlines, each a result or a problem."""
        return await self.run(compute("coverages", CoverageAnswers, batch))
