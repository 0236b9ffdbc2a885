"""``compute/flight``: where granules land, thrown from the rim of a disc through air and wind."""

from typing import Annotated

from msgspec import Meta

from catchpan.contract.base import OpenEnum, Wire
from catchpan.contract.findings import Finding
from catchpan.contract.problems import Problem
from catchpan.quantities import Angle, Angles, Density, Length, Lengths, Ratio, Rotation, Speed, Time

MAX_BATCH = 10


class Side(OpenEnum):
    """Where a granule is thrown, as the driver sees it."""

    LEFT = "left"
    RIGHT = "right"


class FlightRequest(Wire, kw_only=True, frozen=True):
    """Granules and how they leave the disc.

    Sizes are ``diameters``, or ``size_guide_number`` and ``uniformity_index``. One of ``release_speed``,
    ``impeller_speed`` and ``wanted_throw`` (from the disc's middle, in still air, of the middle size); the latter two
    need ``disc_diameter``. ``vane_angle`` leans from the radius at the rim, + in the direction of turning.
    ``head_wind`` blows against the driving, ``cross_wind`` from left to right.
    """

    diameters: Lengths | None = None
    size_guide_number: float | None = None
    uniformity_index: float | None = None
    particle_density: Density
    release_height: Length
    release_angles: Angles | None = None
    release_speed: Speed | None = None
    impeller_speed: Rotation | None = None
    wanted_throw: Length | None = None
    disc_diameter: Length | None = None
    vane_angle: Angle | None = None
    vane_friction: Ratio | None = None
    head_wind: Speed | None = None
    cross_wind: Speed | None = None
    air_density: Density | None = None


class Landing(Wire, kw_only=True, frozen=True):
    """Where one size lands at one release angle on one side.

    ``distance`` is from the rim, outwards, with the wind; ``still`` the same in still air; ``drift`` what the wind
    moves it to the right; ``along`` how far ahead of the rim it lands.
    """

    diameter: Length
    coarser: Ratio | None
    release_angle: Angle
    side: Side
    distance: Length
    still: Length
    drift: Length
    along: Length
    time: Time
    landing_speed: Speed
    falling_speed: Speed


class FlightAnswer(Wire, kw_only=True, frozen=True):
    """The landings, and how far apart the coarse and the fine end land at the first release angle in still air.

    ``impeller_speed`` is the first guess for the wanted throw, or as given; ``rim_reach`` how far from the disc's
    middle the rim lies in the direction of the throw.
    """

    landings: list[Landing]
    release_speed: Speed
    impeller_speed: Rotation | None
    rim_reach: Length | None
    segregation: Length
    assumed: list[str]
    findings: list[Finding]


class FlightBatch(Wire, kw_only=True, frozen=True):
    """Several questions; the answers come in the same order."""

    items: Annotated[list[FlightRequest], Meta(max_length=MAX_BATCH)]


class FlightItem(Wire, kw_only=True, frozen=True):
    """The result or the problem of one item of a batch."""

    result: FlightAnswer | None = None
    problem: Problem | None = None


class FlightAnswers(Wire, kw_only=True, frozen=True):
    """Answers to a batch, in its order."""

    items: list[FlightItem]
