"""Granules and amounts between the wire and the mathematics."""

import math

import msgspec
import numpy as np

from catchpan.contract.amounts import (
    AmountsAnswer,
    AmountsRequest,
    BoomFlowAnswer,
    BoomFlowRequest,
    Guarantee,
    NutrientRate,
    WorkRateAnswer,
    WorkRateRequest,
)
from catchpan.contract.granules import GranulesAnswer, GranulesRequest
from catchpan.quantities import Area, AreaUnit, Length, Mass, Rate, System, Time, Volume, from_si
from catchpan_service.calibration import amounts as mathematics
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.granules import granules
from catchpan_service.si.telling import FloatArray, Telling, array, findings, rounded, scalar


def solve_granules(request: GranulesRequest, system: System) -> GranulesAnswer:  # noqa: ARG001  # told in mm always
    """Size guide number and uniformity index; CalibrationError for an analysis that cannot be."""
    found = granules(openings=array(request.sieves), shares=_shares(request), interpolation=request.interpolation)
    return GranulesAnswer(
        size_guide_number=_number(found.size_guide_number),
        uniformity_index=_number(found.uniformity_index),
        coarse=_size(found.d10),
        middle=_size(found.d50),
        fine=_size(found.d95),
        interpolation=request.interpolation,
        findings=findings(found.findings),
    )


def _shares(request: GranulesRequest) -> FloatArray:
    if (request.masses is None) == (request.shares is None):
        message, allowed = "say what each sieve retained, by masses or by shares", "one of masses and shares"
        raise CalibrationError("retained_unclear", message, where=("masses",), allowed=allowed)
    if request.shares is not None:
        return array(request.shares)
    masses = array(request.masses)
    for index, mass in enumerate(masses.tolist()):
        if not 0 <= mass < math.inf:
            message, where = f"the mass on sieve {index + 1} is no mass", ("masses", index)
            raise CalibrationError("bad_mass", message, where=where, allowed="0 or above")
    total = masses.sum()
    if not 0 < total < math.inf:
        message, allowed = "the sieves hold nothing", "some mass on some sieve"
        raise CalibrationError("nothing_sieved", message, where=("masses",), allowed=allowed)
    shares: FloatArray = masses / total
    return shares


def _size(metres: FloatArray) -> Length | None:
    """A granule's size: in millimetres in either system, as sieves are."""
    return Length(rounded(1000 * float(metres)), "mm") if np.isfinite(metres) else None


def _number(value: FloatArray) -> float | None:
    return rounded(float(value)) if np.isfinite(value) else None


def solve_amounts(request: AmountsRequest, system: System) -> AmountsAnswer:
    """Product, bags, cost and nutrients for an area; CalibrationError for amounts that cannot be."""
    tell = Telling(system)
    found = mathematics.amounts(
        area=request.area.si,
        shares={} if request.analysis is None else _guaranteed(request.analysis),
        rate=scalar(request.rate),
        nutrient=request.nutrient,
        nutrient_rate=scalar(request.nutrient_rate),
        bag_mass=scalar(request.bag),
        bag_price=request.bag_price,
    )
    return AmountsAnswer(
        rate=tell.one(Rate, found.rate),
        mass=tell.one(Mass, found.mass),
        bags=None if found.bags is None else rounded(found.bags),
        whole_bags=found.whole_bags,
        cost=None if found.cost is None else rounded(found.cost),
        nutrients=[
            NutrientRate(name=name, rate=tell.one(Rate, rate), mass=tell.one(Mass, rate * request.area.si))
            for name, rate in found.nutrients.items()
        ],
        findings=[],
    )


def _guaranteed(analysis: Guarantee) -> dict[str, float]:
    return {name: share.si for name, share in msgspec.structs.asdict(analysis).items() if share is not None}


def solve_work_rate(request: WorkRateRequest, system: System) -> WorkRateAnswer:
    """Area done in an hour; CalibrationError for a width, speed or share that cannot be."""
    tell = Telling(system)
    rate = mathematics.work_rate(width=request.width.si, speed=request.speed.si, efficiency=request.efficiency.si)
    time = None
    if request.area is not None:
        if not 0 < request.area.si < math.inf:
            raise CalibrationError("bad_area", "area must be above zero", where=("area",), allowed="above zero")
        time = Time(rounded(request.area.si / rate / 3600), "h")
    return WorkRateAnswer(area_each_hour=_field(rate * 3600, tell), time=time, findings=[])


def _field(square_metres: float, tell: Telling) -> Area:
    """A field's area, in acres or hectares."""
    field: AreaUnit = "ac" if tell.system == "us" else "ha"
    return Area(rounded(from_si(Area, square_metres, field)), field)


def solve_boom_flow(request: BoomFlowRequest, system: System) -> BoomFlowAnswer:
    """What a boom must give in a minute; CalibrationError for a volume, width or speed that cannot be."""
    tell, speed = Telling(system), request.speed.si
    if not 0 < request.area.si < math.inf:
        raise CalibrationError("bad_area", "area must be above zero", where=("area",), allowed="above zero")
    volume = request.volume.si / request.area.si
    if not 0 < volume < math.inf:
        raise CalibrationError("bad_volume", "volume must be above zero", where=("volume",), allowed="above zero")
    boom = mathematics.boom_flow(volume_per_area=volume, width=request.pass_spacing.si, speed=speed)
    nozzle = None
    if request.nozzle_spacing is not None:
        nozzle = mathematics.boom_flow(volume_per_area=volume, width=request.nozzle_spacing.si, speed=speed)
    return BoomFlowAnswer(
        boom_each_minute=tell.one(Volume, boom * 60),
        nozzle_each_minute=None if nozzle is None else tell.one(Volume, nozzle * 60),
        findings=[],
    )
