"""``compute/overlap``: a row of pans under a pass becomes a pattern, and the pattern an even ground."""

from typing import Annotated, Literal

from msgspec import Meta

from catchpan.contract.base import Note, Wire
from catchpan.contract.findings import Finding
from catchpan.contract.problems import Problem
from catchpan.quantities import (
    Area,
    Flow,
    Length,
    Lengths,
    Mass,
    Masses,
    MassPerLength,
    Rate,
    Rates,
    Ratio,
    Ratios,
    Rotation,
    Speed,
)

Driving = Literal["one_way", "back_and_forth"]
Heading = Literal["same", "opposite"]
Evaluation = Literal["continuous", "stations"]
Deviation = Literal["population", "sample"]

MAX_PANS = 400
MAX_ROWS = 40
MAX_SPACINGS = 1000
MAX_BATCH = 100


class PanRow(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """One row of pans, weighed after it was driven ``passes`` times; ``null`` for a pan that is not there."""

    masses: Masses
    passes: Annotated[int, Meta(ge=1, le=1000)] = 1
    heading: Heading = "same"


class Pans(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """Weighed rows of pans. Positions ascend; + is right of the driver, 0 the middle of the pass."""

    positions: Lengths
    rows: Annotated[list[PanRow], Meta(min_length=1, max_length=MAX_ROWS)]
    pan_area: Area
    pan_tare: Mass | None = None


class OverlapRequest(Pans, kw_only=True, frozen=True, omit_defaults=True):
    """A pan test and what to find out from it. Positions ascend; + is right of the driver, 0 the middle of the pass.

    ``flow`` and ``speed`` during the test show which share of the material the pans recovered; ``wanted_spacing``
    asks what to do about the impeller speed, which is ``impeller_speed`` now.
    """

    spacings: Lengths | None = None
    driving: Annotated[list[Driving], Meta(min_length=1, max_length=2)] | None = None
    cv_limit: Ratio | None = None
    evaluation: Evaluation = "continuous"
    deviation: Deviation | None = None
    driving_tolerance: Length | None = None
    rate: Rate | None = None
    label_highest_rate: Rate | None = None
    conditions: Note = ""
    wind: Speed | None = None
    flow: Flow | None = None
    speed: Speed | None = None
    wanted_spacing: Length | None = None
    impeller_speed: Rotation | None = None


class SpacingRange(Wire, kw_only=True, frozen=True):
    """Pass spacings from ``lowest`` to ``highest`` that all keep the CV within the limit."""

    lowest: Length
    highest: Length


class SpacingInterval(Wire, kw_only=True, frozen=True):
    """The spacing at which the limit is surely kept, and the widest at which it may be, 95 %; null where none does."""

    low: Length | None
    high: Length | None


class DrivingAnswer(Wire, kw_only=True, frozen=True):
    """What the overlap does for one way of driving; the arrays follow ``spacings``.

    ``cv_low`` and ``cv_high`` hold the CV without the scatter of pans, 95 %; null with one row, and at stations.
    """

    cv: Ratios
    relative_min: Ratios
    relative_max: Ratios
    n: list[int | None]
    spacing_ranges: list[SpacingRange]
    widest_spacing: Length | None
    recommended_spacing: Length | None
    recommended_cv: Ratio | None
    least_cv_spacing: Length | None
    cv_low: Ratios | None = None
    cv_high: Ratios | None = None
    widest_interval: SpacingInterval | None = None
    recommended_interval: SpacingInterval | None = None


class ByDriving(Wire, kw_only=True, frozen=True):
    """The answer for each way of driving that was asked for."""

    one_way: DrivingAnswer | None = None
    back_and_forth: DrivingAnswer | None = None


class PatternAnswer(Wire, kw_only=True, frozen=True):
    """The pattern of one pass: what it lays, how wide, and how it leans."""

    positions: Lengths
    rate: Rates
    mass_per_length: MassPerLength
    mean_rate: Rates
    left_share: Ratio
    centre_offset: Length
    half_rate_width: Length | None
    half_rate_left: Length | None
    half_rate_right: Length | None
    throw_left: Length
    throw_right: Length


class Adjustment(Wire, kw_only=True, frozen=True):
    """What would even out the pattern, and fit the wanted spacing: an estimate, to be tested again.

    ``shift`` is how far the middle of the material has to move, + to the right. The impeller speed is to be multiplied
    by ``impeller_factor``; ``low`` and ``high`` are what the growth of throw with speed leaves open.
    """

    shift: Length
    shift_uncertainty: Length | None
    impeller_factor: Ratio | None
    impeller_factor_low: Ratio | None
    impeller_factor_high: Ratio | None
    impeller_speed: Rotation | None
    basis: str


class OverlapAnswer(Wire, kw_only=True, frozen=True):
    """The pattern, its overlap at each spacing, and the pass spacing to drive."""

    spacings: Lengths
    by_driving: ByDriving
    pattern: PatternAnswer
    evaluation: Evaluation
    deviation: Deviation
    cv_limit: Ratio
    driving_tolerance: Length
    findings: list[Finding]
    adjustment: Adjustment | None = None
    recovered: Ratio | None = None


class OverlapBatch(Wire, kw_only=True, frozen=True):
    """Several pan tests; the answers come in the same order."""

    items: Annotated[list[OverlapRequest], Meta(max_length=MAX_BATCH)]


class OverlapItem(Wire, kw_only=True, frozen=True):
    """The result or the problem of one item of a batch: one bad item spoils no other."""

    result: OverlapAnswer | None = None
    problem: Problem | None = None


class OverlapAnswers(Wire, kw_only=True, frozen=True):
    """Answers to a batch, in its order."""

    items: list[OverlapItem]
