"""The computations of the client, generated from acomputing.py by sdk/generate_client.py: change that one."""

from abc import ABC, abstractmethod
from typing import TypeVar

from catchpan.calls import Call, compute
from catchpan.contract.curves import FlowCurveAnswer, FlowCurveAnswers, FlowCurveBatch, FlowCurveRequest
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
