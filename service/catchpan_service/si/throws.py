"""``compute/throw`` and ``compute/flight`` between the wire and the mathematics."""

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from catchpan.contract.flights import FlightAnswer, FlightRequest, Landing, Side
from catchpan.contract.throws import SideThrow, SpeedForThrow, ThrowAnswer, ThrowAtSpeed, ThrowRequest
from catchpan.quantities import Angle, Length, Ratio, Rotation, Speed, System, Time
from catchpan_service.calibration import flight, throw
from catchpan_service.calibration.drag import terminal_velocity
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.si.telling import FloatArray, Telling, array, findings, given, scalar

ASSUMED = (
    "granules are smooth spheres with the drag of Haider and Levenspiel; real ones fall somewhat slower",
    "the wind is the same at every height, and granules do not meet or bounce",
)
ASSUMED_OF_VANES = "fed near the disc's middle, straight vanes, friction on the vane only"
ASSUMED_OF_SIZES = "sizes are log-normal by mass between the size guide number and the uniformity index"


def solve_throw(request: ThrowRequest, system: System) -> ThrowAnswer:
    """The law of throw by impeller speed for each observed side; CalibrationError where there is none."""
    tell = Telling(system)
    uncertainty = throw.THROW_UNCERTAINTY if request.throw_uncertainty is None else request.throw_uncertainty.si
    laws = {side: _law(request, side, uncertainty) for side in ("left", "right")}
    if not any(laws.values()):
        message = "no observation has a throw"
        raise CalibrationError("no_throws", message, where=("observations",), allowed="left, right or both")
    told = {side: None if law is None else _side(request, law, tell) for side, law in laws.items()}
    outside = [
        part.extrapolated for one in told.values() if one for asked in (one.throws, one.speeds) for part in asked
    ]
    return ThrowAnswer(
        left=told["left"],
        right=told["right"],
        throw_uncertainty=tell.one(Length, uncertainty),
        findings=findings(throw.throw_findings(laws["left"], laws["right"], extrapolated=any(outside))),
    )


def _law(request: ThrowRequest, side: str, uncertainty: float) -> throw.ThrowLaw | None:
    seen = [place for place, one in enumerate(request.observations) if getattr(one, side) is not None]
    if not seen:
        return None
    rows = [request.observations[place] for place in seen]
    names = {"speed": "impeller_speed", "throw": side}
    try:
        return throw.throw_law(
            speed=[one.impeller_speed.si for one in rows],
            throw=[getattr(one, side).si for one in rows],
            uncertainty=uncertainty,
        )
    except CalibrationError as error:
        name = str(error.where[0]) if error.where else ""
        if name not in names or len(error.where) < 2:
            raise _at(error, ("throw_uncertainty",) if name == "uncertainty" else ("observations",)) from error
        raise _at(error, ("observations", seen[int(error.where[1])], names[name])) from error


def _at(error: CalibrationError, where: tuple[str | int, ...]) -> CalibrationError:
    return CalibrationError(error.code, str(error), where=where, given=error.given, allowed=error.allowed)


def _asked(
    ask: Callable[..., throw.Estimate], law: throw.ThrowLaw, name: str, values: FloatArray, field: str
) -> list[tuple[float, float, float, float, bool]]:
    """Rows of what was asked, the answer, its ends, and whether it is extrapolated."""
    try:
        found = ask(law, **{name: values})
    except CalibrationError as error:
        raise _at(error, (field, *error.where[1:])) from error
    columns = (values, found.value, found.low, found.high, found.extrapolated)
    return list(zip(*(column.tolist() for column in columns), strict=True))


def _side(request: ThrowRequest, law: throw.ThrowLaw, tell: Telling) -> SideThrow:
    speeds, throws = request.impeller_speeds, request.wanted_throws
    at_speeds = _asked(throw.throw_at, law, "speed", array(speeds), "impeller_speeds") if speeds else []
    for_throws = _asked(throw.speed_for, law, "throw", array(throws), "wanted_throws") if throws else []
    u = np.sqrt(np.diag(law.covariance))
    return SideThrow(
        reference_speed=tell.one(Rotation, law.reference_speed),
        reference_throw=tell.one(Length, law.scale),
        reference_throw_uncertainty=tell.one(Length, law.scale * u[0]),
        exponent=law.exponent,
        exponent_uncertainty=float(u[1]),
        exponent_assumed=law.exponent_assumed,
        correlation=float(law.covariance[0, 1] / (u[0] * u[1])),
        chi_square=law.chi_square,
        degrees_of_freedom=law.degrees_of_freedom,
        observations=law.observations,
        slowest=tell.one(Rotation, law.speed_range[0]),
        fastest=tell.one(Rotation, law.speed_range[1]),
        throws=[
            ThrowAtSpeed(
                impeller_speed=tell.one(Rotation, speed),
                throw=tell.one(Length, value),
                low=tell.one(Length, low),
                high=tell.one(Length, high),
                extrapolated=outside,
            )
            for speed, value, low, high, outside in at_speeds
        ],
        speeds=[
            SpeedForThrow(
                throw=tell.one(Length, wanted),
                impeller_speed=tell.maybe(Rotation, value),
                low=tell.maybe(Rotation, low),
                high=tell.maybe(Rotation, high),
                extrapolated=outside,
            )
            for wanted, value, low, high, outside in for_throws
        ],
    )


def solve_flight(request: FlightRequest, system: System) -> FlightAnswer:
    """Where granules land; CalibrationError where they cannot fly so."""
    sizes, shares = _sizes(request)
    angles = np.zeros(1) if request.release_angles is None else array(request.release_angles)
    if not len(angles):
        message, allowed = "no release angle was given", "one angle or more, or none of the member"
        raise CalibrationError("wrong_shape", message, where=("release_angles",), allowed=allowed)
    air = given(air_density=scalar(request.air_density))
    leaves, turning = _release(request, float(np.sort(sizes)[len(sizes) // 2]), float(angles[0]), air)
    grid = {
        "diameter": sizes[:, None, None],
        "particle_density": request.particle_density.si,
        "release_speed": leaves.speed,
        "release_height": request.release_height.si,
        "release_angle": angles[None, :, None],
        "side": np.array([-1.0, 1.0]),
        **air,
    }
    wind = {"head_wind": scalar(request.head_wind) or 0.0, "cross_wind": scalar(request.cross_wind) or 0.0}
    try:
        still = flight.flights(**grid)
        blown = flight.flights(**grid, **wind) if any(wind.values()) else still
        falling = terminal_velocity(diameter=sizes, particle_density=request.particle_density.si, **air)
    except CalibrationError as error:
        raise _in_request(error) from error
    tell = Telling(system)
    by_guide = request.size_guide_number is not None
    places = np.ndindex(blown.across.shape)
    vanes = [] if request.disc_diameter is None else [ASSUMED_OF_VANES]
    return FlightAnswer(
        landings=[_landing(place, (sizes, shares, angles, falling), (still, blown), tell) for place in places],
        release_speed=tell.one(Speed, leaves.speed),
        impeller_speed=tell.maybe(Rotation, turning),
        rim_reach=tell.one(Length, leaves.reach) if turning else None,
        segregation=tell.one(Length, still.across[sizes.argmax(), 0, 1] - still.across[sizes.argmin(), 0, 1]),
        assumed=[*ASSUMED, *vanes, *([ASSUMED_OF_SIZES] if by_guide else [])],
        findings=[],
    )


def _landing(place: tuple[int, ...], axes: Any, flown: tuple[flight.Flights, flight.Flights], tell: Telling) -> Landing:
    sizes, shares, angles, falling = axes
    still, blown = flown
    size, angle, side = place
    outward = -1.0 if side == 0 else 1.0
    return Landing(
        diameter=tell.one(Length, sizes[size]),
        coarser=tell.maybe(Ratio, shares[size]),
        release_angle=tell.one(Angle, angles[angle]),
        side=Side.LEFT if side == 0 else Side.RIGHT,
        distance=tell.one(Length, outward * blown.across[place]),
        still=tell.one(Length, outward * still.across[place]),
        drift=tell.one(Length, blown.across[place] - still.across[place]),
        along=tell.one(Length, blown.along[place]),
        time=tell.one(Time, blown.time[place]),
        landing_speed=tell.one(Speed, blown.speed[place]),
        falling_speed=tell.one(Speed, falling[size]),
    )


def _sizes(request: FlightRequest) -> tuple[FloatArray, FloatArray]:
    """The sizes [m], and the share that is coarser than each, NaN if not known."""
    guide, index = request.size_guide_number, request.uniformity_index
    if (request.diameters is None) == (guide is None) or (guide is None) != (index is None):
        message = "sizes are needed one way: diameters, or size guide number and uniformity index"
        allowed = "diameters, or size_guide_number and uniformity_index"
        raise CalibrationError("sizes_unclear", message, where=("diameters",), allowed=allowed)
    if request.diameters is None:
        sizes = flight.granule_sizes(size_guide_number=guide or 0.0, uniformity_index=index or 0.0)
        return sizes, np.array([flight.COARSE_SHARE, 0.5, flight.FINE_SHARE])
    sizes = array(request.diameters)
    if not len(sizes):
        message, allowed = "no diameter was given", "one diameter or more"
        raise CalibrationError("wrong_shape", message, where=("diameters",), allowed=allowed)
    return sizes, np.full(len(sizes), math.nan)


def _release(
    request: FlightRequest, size: float, angle: float, air: dict[str, Any]
) -> tuple[flight.Release, float | None]:
    """How granules leave, and the impeller speed [1/s] where a disc was given."""
    ways = ("release_speed", "impeller_speed", "wanted_throw")
    asked = [name for name in ways if getattr(request, name) is not None]
    if len(asked) != 1 or (request.disc_diameter is None) != (asked == ["release_speed"]):
        message = "how granules leave the disc is not clear"
        allowed = "release_speed alone, or disc_diameter with impeller_speed or with wanted_throw"
        raise CalibrationError("release_unclear", message, where=("release_speed",), allowed=allowed)
    if request.release_speed is not None:
        return flight.Release(request.release_speed.si, 0.0), None
    disc = given(
        disc_diameter=scalar(request.disc_diameter),
        vane_angle=scalar(request.vane_angle),
        vane_friction=scalar(request.vane_friction),
    )
    turning = scalar(request.impeller_speed)
    try:
        if turning is None:
            turning = flight.first_speed(
                wanted_throw=scalar(request.wanted_throw) or 0.0,
                diameter=size,
                particle_density=request.particle_density.si,
                release_height=request.release_height.si,
                release_angle=angle,
                **disc,
                **air,
            )
        return flight.release(impeller_speed=turning, **disc), turning
    except CalibrationError as error:
        raise _in_request(error) from error


_MEMBERS = {"diameter": "diameters", "release_angle": "release_angles"}


def _in_request(error: CalibrationError) -> CalibrationError:
    """The same refusal, pointing at the member of the request."""
    name, *index = error.where or ("",)
    if name not in _MEMBERS:
        return _at(error, (name,) if name else ())
    axis = 0 if name == "diameter" else 1
    return _at(error, (_MEMBERS[str(name)], *index[axis : axis + 1]))
