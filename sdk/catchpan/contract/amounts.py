"""``compute/amounts``, ``compute/work-rate`` and ``compute/boom-flow``: what goes down, how fast, and a cross-check."""

from typing import Annotated, Literal

from msgspec import Meta

from catchpan.contract.base import Wire
from catchpan.contract.findings import Finding
from catchpan.contract.problems import Problem
from catchpan.quantities import Area, Length, Mass, Rate, Ratio, Speed, Time, Volume

Nutrient = Literal["nitrogen", "phosphate", "potash", "magnesia", "lime", "sulphate"]
MAX_BATCH = 1000


class Guarantee(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """Shares by mass as they stand on the bag: N, P₂O₅, K₂O, MgO, CaO and SO₃."""

    nitrogen: Ratio | None = None
    phosphate: Ratio | None = None
    potash: Ratio | None = None
    magnesia: Ratio | None = None
    lime: Ratio | None = None
    sulphate: Ratio | None = None


class AmountsRequest(Wire, kw_only=True, frozen=True):
    """An area and what is laid on it: ``rate`` of product, or ``nutrient`` and ``nutrient_rate``.

    ``bag_price`` is in any currency; the cost is in the same.
    """

    area: Area
    analysis: Guarantee | None = None
    rate: Rate | None = None
    nutrient: Nutrient | None = None
    nutrient_rate: Rate | None = None
    bag: Mass | None = None
    bag_price: float | None = None


class NutrientRate(Wire, kw_only=True, frozen=True):
    """A nutrient or an element, and its rate and mass for the area."""

    name: str
    rate: Rate
    mass: Mass


class AmountsAnswer(Wire, kw_only=True, frozen=True):
    """Product, bags, cost and nutrients for the area."""

    rate: Rate
    mass: Mass
    bags: float | None
    whole_bags: int | None
    cost: float | None
    nutrients: list[NutrientRate]
    findings: list[Finding]


class AmountsBatch(Wire, kw_only=True, frozen=True):
    """Several areas; the answers come in the same order."""

    items: Annotated[list[AmountsRequest], Meta(max_length=MAX_BATCH)]


class AmountsItem(Wire, kw_only=True, frozen=True):
    """The result or the problem of one item of a batch."""

    result: AmountsAnswer | None = None
    problem: Problem | None = None


class AmountsAnswers(Wire, kw_only=True, frozen=True):
    """Answers to a batch, in its order."""

    items: list[AmountsItem]


class WorkRateRequest(Wire, kw_only=True, frozen=True):
    """Pass spacing, ground speed, and the share of the time that is spent laying; an area for its hours."""

    width: Length
    speed: Speed
    efficiency: Ratio
    area: Area | None = None


class WorkRateAnswer(Wire, kw_only=True, frozen=True):
    """Area done in an hour, and the time for the area."""

    area_each_hour: Area
    time: Time | None
    findings: list[Finding]


class WorkRateBatch(Wire, kw_only=True, frozen=True):
    """Several machines; the answers come in the same order."""

    items: Annotated[list[WorkRateRequest], Meta(max_length=MAX_BATCH)]


class WorkRateItem(Wire, kw_only=True, frozen=True):
    """The result or the problem of one item of a batch."""

    result: WorkRateAnswer | None = None
    problem: Problem | None = None


class WorkRateAnswers(Wire, kw_only=True, frozen=True):
    """Answers to a batch, in its order."""

    items: list[WorkRateItem]


class BoomFlowRequest(Wire, kw_only=True, frozen=True):
    """A volume on an area, laid with the same pass spacing and speed as the spreader's."""

    volume: Volume
    area: Area
    pass_spacing: Length
    speed: Speed
    nozzle_spacing: Length | None = None


class BoomFlowAnswer(Wire, kw_only=True, frozen=True):
    """What the boom, and one nozzle, must give in a minute."""

    boom_each_minute: Volume
    nozzle_each_minute: Volume | None
    findings: list[Finding]


class BoomFlowBatch(Wire, kw_only=True, frozen=True):
    """Several booms; the answers come in the same order."""

    items: Annotated[list[BoomFlowRequest], Meta(max_length=MAX_BATCH)]


class BoomFlowItem(Wire, kw_only=True, frozen=True):
    """The result or the problem of one item of a batch."""

    result: BoomFlowAnswer | None = None
    problem: Problem | None = None


class BoomFlowAnswers(Wire, kw_only=True, frozen=True):
    """Answers to a batch, in its order."""

    items: list[BoomFlowItem]
