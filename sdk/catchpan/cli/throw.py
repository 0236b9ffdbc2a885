"""``catchpan throw`` and ``catchpan flight``: how far material goes, seen and computed."""

from pathlib import Path

from catchpan.cli.arguments import (
    ADensity,
    ALength,
    AnAngle,
    ARatio,
    ARotation,
    ASpeed,
    SomeAngles,
    SomeLengths,
    SomeRotations,
)
from catchpan.cli.connection import Common
from catchpan.cli.printing import number, put, put_findings, put_json, put_table, told
from catchpan.contract.flights import FlightAnswer, FlightRequest
from catchpan.contract.throws import SideThrow, ThrowAnswer, ThrowRequest
from catchpan.quantities import Angles, Lengths, Rotations
from catchpan.tables import read_throws

_DEFAULT = Common()


def throw(
    throws: Path,
    /,
    *,
    wanted_throw: SomeLengths | None = None,
    impeller_speed: SomeRotations | None = None,
    throw_uncertainty: ALength | None = None,
    common: Common = _DEFAULT,
) -> None:
    """Turn paced throws into the impeller speed for a wanted throw, for each side.

    Example: catchpan throw throws.csv --wanted-throw "12 ft"

    Parameters
    ----------
    throws
        A CSV file: impeller speed [rpm], left [ft], right [ft]; a cell may be empty.
    wanted_throw
        A throw to find the impeller speed for; may be given several times.
    impeller_speed
        An impeller speed to find the throw of; may be given several times.
    throw_uncertainty
        How well one throw is paced; half a foot by default.
    """
    request = ThrowRequest(
        observations=read_throws(throws),
        throw_uncertainty=throw_uncertainty,
        impeller_speeds=None if impeller_speed is None else Rotations([one.to("rpm") for one in impeller_speed], "rpm"),
        wanted_throws=None if wanted_throw is None else Lengths([one.to("ft") for one in wanted_throw], "ft"),
    )
    with common.client() as client:
        answer = client.throw(request)
    if common.json:
        put_json(answer)
    else:
        show(answer)


def show(answer: ThrowAnswer) -> None:
    """Print the law of each side, and what was asked of it."""
    for name, side in (("Left", answer.left), ("Right", answer.right)):
        if side is not None:
            _show_side(name, side)
    put_findings(answer.findings)


def _show_side(name: str, side: SideThrow) -> None:
    put(f"{name}: {told(side.reference_throw, 3)} at {told(side.reference_speed, 3)}, observed at "
        f"{told(side.slowest, 3)} to {told(side.fastest, 3)}")  # fmt: skip
    grows = f"  throw grows as speed to the power {number(side.exponent, 2)} ± {number(side.exponent_uncertainty, 1)}"
    put(grows + (" (partly assumed)" if side.exponent_assumed else ""))
    for want in side.speeds:
        sure = f" ({told(want.low, 3)} to {told(want.high, 3)})" if want.low and want.high else ""
        put(f"  for {told(want.throw, 3)} set {told(want.impeller_speed, 3)}{sure}{_outside(want.extrapolated)}")
    for at in side.throws:
        sure = f" ({told(at.low, 3)} to {told(at.high, 3)})"
        put(f"  at {told(at.impeller_speed, 3)} expect {told(at.throw, 3)}{sure}{_outside(at.extrapolated)}")
    put()


def _outside(extrapolated: bool) -> str:
    return ", beyond what was paced" if extrapolated else ""


def flight(
    *,
    particle_density: ADensity,
    release_height: ALength,
    diameter: SomeLengths | None = None,
    size_guide_number: float | None = None,
    uniformity_index: float | None = None,
    release_angle: SomeAngles | None = None,
    release_speed: ASpeed | None = None,
    impeller_speed: ARotation | None = None,
    wanted_throw: ALength | None = None,
    disc_diameter: ALength | None = None,
    vane_angle: AnAngle | None = None,
    vane_friction: ARatio | None = None,
    head_wind: ASpeed | None = None,
    cross_wind: ASpeed | None = None,
    common: Common = _DEFAULT,
) -> None:
    """Compute where granules land, and a first impeller speed for a wanted throw.

    Example: catchpan flight --size-guide-number 215 --uniformity-index 48 --particle-density "1300 kg/m3"
    --release-height "20 in" --wanted-throw "11 ft" --disc-diameter "14 in" --cross-wind "4 mph"

    Parameters
    ----------
    particle_density
        Density of a granule itself, not of the heap.
    release_height
        Height of the disc above the ground.
    diameter
        Granule size; may be given several times. Or a size guide number and a uniformity index.
    size_guide_number
        SGN of the material.
    uniformity_index
        UI of the material.
    release_angle
        Above the horizontal, level by default; may be given several times.
    release_speed
        Speed of the granules at the rim, where it is known.
    impeller_speed
        Or the impeller speed, with the disc's diameter.
    wanted_throw
        Or the throw to find a first impeller speed for, from the disc's middle.
    disc_diameter
        Of the spreading disc.
    vane_angle
        Lean of the vanes from the radius, + in the direction of turning.
    vane_friction
        Of granules on the vane; 0.3 by default.
    head_wind
        Against the driving; a tail wind is negative.
    cross_wind
        From left to right.
    """
    request = FlightRequest(
        diameters=None if diameter is None else Lengths([one.to("mm") for one in diameter], "mm"),
        size_guide_number=size_guide_number,
        uniformity_index=uniformity_index,
        particle_density=particle_density,
        release_height=release_height,
        release_angles=None if release_angle is None else Angles([one.to("deg") for one in release_angle], "deg"),
        release_speed=release_speed,
        impeller_speed=impeller_speed,
        wanted_throw=wanted_throw,
        disc_diameter=disc_diameter,
        vane_angle=vane_angle,
        vane_friction=vane_friction,
        head_wind=head_wind,
        cross_wind=cross_wind,
    )
    with common.client() as client:
        answer = client.flight(request)
    if common.json:
        put_json(answer)
    else:
        show_flight(answer)


def show_flight(answer: FlightAnswer) -> None:
    """Print landings and what they rest on."""
    if answer.impeller_speed is not None:
        put(f"Impeller speed    {told(answer.impeller_speed, 3)}")
    put(f"Speed at the rim  {told(answer.release_speed, 3)}")
    put_table(
        ["size", "angle", "side", "lands at", "in still air", "drift to the right"],
        [
            [
                f"{number(one.diameter.to('mm'), 3)} mm", told(one.release_angle, 3), one.side.value,
                told(one.distance, 3), told(one.still, 3), told(one.drift, 3),
            ]
            for one in answer.landings
        ],
    )  # fmt: skip
    put(f"The coarse end lands {told(answer.segregation, 3)} further out than the fine end.")
    put("Assumed: " + "; ".join(answer.assumed) + ".")
    put()
    put_findings(answer.findings)
