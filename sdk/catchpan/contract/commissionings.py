"""Commissioning: what was found on one machine with gauge, tachometer, course and check weight, and its settings.

After it an opening of 40 % means the same gap on every machine, within a tolerance.
"""

from typing import Annotated, Literal

from msgspec import Meta

from catchpan.contract.base import Count, Digest, Id, Instant, Name, Note, ShortNote, Wire
from catchpan.contract.findings import Finding
from catchpan.contract.gate_stops import Position
from catchpan.contract.ground_speeds import GroundSpeedAnswer, GroundSpeedRequest
from catchpan.contract.openings import OpeningStatus, RateInterval
from catchpan.contract.profiles import Change, Number, Purpose, State
from catchpan.contract.sync import Target
from catchpan.quantities import Flows, Mass, Pressure, Rate, Ratio, Ratios, Rotation, Speed

Side = Literal["both", "left", "right"]


class GateFound(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """One gate: its two stops by the gauge; with backlash, where one gauge fits coming from below and from above.

    ``shut`` says whether the gate holds the real material when it is closed.
    """

    side: Side = "both"
    closed: Position
    open: Position
    from_below: Position | None = None
    from_above: Position | None = None
    shut: Literal["tight", "leaks"] | None = None


class BalanceCatch(Wire, kw_only=True, frozen=True):
    """What fell left and right in one catch at one opening, both gates open."""

    opening: Ratio
    left: Mass
    right: Mass


class ImpellerFound(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """An impeller's speed on the controller's panel, and by tachometer; and its vanes."""

    side: Side = "both"
    panel: Rotation
    tachometer: Rotation
    vanes: Literal["whole", "worn", "replaced"] | None = None


class TyreFound(Wire, kw_only=True, frozen=True):
    """The pressure of one tyre, set before the ground speed was timed."""

    where: ShortNote
    pressure: Pressure


class ScaleFound(Wire, kw_only=True, frozen=True):
    """A check weight, and what the scale showed for it, in the scale's own unit."""

    weight: Mass
    shown: Mass


class CommissioningRequest(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """What was found on a machine, when and by whom; it is ``due`` again a year on, unless said otherwise."""

    done: Instant
    by: Name
    gates: Annotated[list[GateFound], Meta(min_length=1, max_length=2)]
    balance: Annotated[list[BalanceCatch], Meta(max_length=20)] = []
    impellers: Annotated[list[ImpellerFound], Meta(max_length=2)] = []
    tyres: Annotated[list[TyreFound], Meta(max_length=8)] = []
    ground_speed: GroundSpeedRequest | None = None
    scale: ScaleFound | None = None
    due: Instant | None = None
    note: Note = ""


class GateJudged(Wire, kw_only=True, frozen=True):
    """One gate's range in the actuator's unit, its backlash, and how far its stops moved since last time."""

    side: Side
    gate_range: float
    backlash: Ratio | None
    closed_moved: Ratio | None
    open_moved: Ratio | None


class BalanceJudged(Wire, kw_only=True, frozen=True):
    """The share that fell left at one opening."""

    opening: Ratio
    left_share: Ratio


class Commissioning(Wire, kw_only=True, frozen=True):
    """A commissioning as recorded, what follows from it, and what differs from the one before.

    ``impellers`` are the panel's speeds less the tachometer's, ``scale`` is what the scale shows above the check
    weight, each relative.
    """

    machine: Id
    number: Count
    recorded: Instant
    recorded_by: Name
    record: CommissioningRequest
    due: Instant
    gates: list[GateJudged]
    balance: list[BalanceJudged]
    impellers: Ratios
    ground_speed: GroundSpeedAnswer | None
    scale: Ratio | None
    changes: list[Change]
    findings: list[Finding]


class CommissioningSummary(Wire, kw_only=True, frozen=True):
    """A commissioning in a list."""

    machine: Id
    number: Count
    done: Instant
    by: Name
    due: Instant
    recorded: Instant
    recorded_by: Name


class CommissioningPage(Wire, kw_only=True, frozen=True):
    """One page of a machine's commissionings, newest first; ``next`` is the cursor of the following page."""

    items: list[CommissioningSummary]
    next: str | None


class GatePosition(Wire, kw_only=True, frozen=True):
    """Where one gate's actuator stands."""

    side: Side
    position: float


class WorkSetting(Wire, kw_only=True, frozen=True):
    """The setting for one work rate: the opening after the controller's step, and the actuators' positions there."""

    purpose: Purpose
    rate: Rate
    speed: Speed
    pass_name: Name
    opening: Ratio | None
    set_opening: Ratio | None
    positions: list[GatePosition]
    rate_interval: RateInterval
    status: OpeningStatus


class GateColumn(Wire, kw_only=True, frozen=True):
    """The actuator positions of one gate, for the rows of a gate table."""

    side: Side
    positions: list[float]


class MachineGateTable(Wire, kw_only=True, frozen=True):
    """Rows for a controller that takes a table: openings, the flow at each, and the actuators' positions."""

    openings: Ratios
    flows: Flows
    gates: list[GateColumn]
    tolerance: Ratio


class MachineSettings(Wire, kw_only=True, frozen=True):
    """What one machine is to be set to for one profile, so that every machine does the same.

    Without a commissioning the openings are told, and no positions. ``held_by`` says whether everybody, its branch or
    the machine alone holds the revision; null for one that is only tried.
    """

    machine: Id
    name: Name
    profile: Id
    profile_name: Name
    number: Number
    digest: Digest
    state: State
    held_by: Target | None
    commissioning: Count | None
    correction: float
    works: list[WorkSetting]
    gate_table: MachineGateTable | None
    findings: list[Finding]
