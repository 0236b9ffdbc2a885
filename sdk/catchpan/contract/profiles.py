"""Profiles and their revisions: all settings of one material on one machine kind, numbered and unchangeable."""

from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from catchpan.contract.base import Count, Digest, Id, Instant, Name, Note, OpenEnum, Reason, ShortNote, Wire
from catchpan.contract.curves import Curve, FlowCurveRequest
from catchpan.contract.findings import Finding
from catchpan.contract.materials import MaterialRequest
from catchpan.contract.overlaps import Driving, OverlapRequest
from catchpan.contract.priors import ProvisionalRequest
from catchpan.quantities import Length, Rate, Ratio, Rotation, Speed, Temperature

Purpose = Annotated[str, Meta(min_length=1, max_length=120, pattern=r"^[^\x00]*$")]
Number = Annotated[int, Meta(ge=1, le=1_000_000)]


class State(OpenEnum):
    """What a revision is."""

    DRAFT = "draft"
    PROVISIONAL = "provisional"
    RELEASED = "released"
    WITHDRAWN = "withdrawn"


class Withdrawal(OpenEnum):
    """Why a revision is no longer in use: a newer one stands in its place, or it must not be used."""

    REPLACED = "replaced"
    UNSAFE = "unsafe"


class Conditions(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """What the catches or the pans were taken under."""

    machine: ShortNote = ""
    lot: ShortNote = ""
    bag_opened: Instant | None = None
    caught: Instant | None = None
    by: ShortNote = ""
    agitator: Literal["on", "off", "none"] | None = None
    hopper_fill: Ratio | None = None
    temperature: Temperature | None = None
    wind: Speed | None = None
    weather: Note = ""
    note: Note = ""


class PanTest(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """A pan test as it was weighed, and what it was taken under."""

    test: OverlapRequest
    conditions: Conditions | None = None


class Pass(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """A named pass: ``width`` is the pass spacing of an overlapped pass, or the width that an edge pass covers."""

    name: Name
    purpose: Purpose
    kind: Literal["overlapped", "edge"]
    width: Length
    throw: Length | None = None
    impeller_speed: Rotation | None = None
    driving: Driving | None = None
    coverages: Literal[1, 2] = 1


class WorkRate(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """A rate that crews lay, at the speed that they drive, on one of the passes."""

    purpose: Purpose
    rate: Rate
    speed: Speed
    pass_name: Name


class Provenance(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """Where the content comes from."""

    source: Note = ""
    borrowed_from: Digest | None = None


class Content(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """All settings of one material on one machine kind, in format 1.

    Defaults are left out, so that the format can grow without changing old digests. The curve may be left out: the
    service computes it from the catches; one that is sent must agree with the refit. The material is filled in by
    the service where it is left out. ``loan`` stands in place of a calibration where a curve is borrowed for some days:
    the curve of a like material, and check catches of this one.
    """

    format: Literal[1]
    calibration: FlowCurveRequest | None = None
    conditions: Conditions | None = None
    curve: Curve | None = None
    pan_tests: Annotated[list[PanTest], Meta(max_length=20)] = []
    passes: Annotated[list[Pass], Meta(max_length=20)] = []
    work_rates: Annotated[list[WorkRate], Meta(max_length=50)] = []
    label_highest_rate: Rate | None = None
    label_yearly_limit: Rate | None = None
    material: MaterialRequest | None = None
    provenance: Provenance | None = None
    note: Note = ""
    loan: ProvisionalRequest | None = None


class ProfileRequest(Wire, kw_only=True, frozen=True):
    """A new profile: one for each material on each machine kind."""

    material: Id
    machine_kind: Id
    name: Name


class Profile(Wire, kw_only=True, frozen=True):
    """A profile as stored; ``released`` is the revision in use, ``latest`` the newest."""

    id: Id
    version: Count
    material: Id
    machine_kind: Id
    name: Name
    latest: Number | None
    released: Number | None
    created: Instant
    changed: Instant


class ProfilePage(Wire, kw_only=True, frozen=True):
    """One page of profiles; ``next`` is the cursor of the following page."""

    items: list[Profile]
    next: str | None


class RevisionRequest(Wire, kw_only=True, frozen=True):
    """The content of a new draft, or of one that replaces a draft."""

    content: Content
    parent: Number | None = None
    note: Note = ""


class ReleaseRequest(Wire, kw_only=True, frozen=True):
    """Why a revision is released; ``override`` is an owner's reason to release in spite of a finding that stops."""

    reason: Reason
    override: Reason | None = None


class ProvisionalReleaseRequest(Wire, kw_only=True, frozen=True):
    """Why one branch may use a revision for some days before it is released to all.

    ``override`` is an owner's reason to do so in spite of a finding that stops.
    """

    branch: Id
    days: Annotated[int, Meta(ge=1, le=30)]
    reason: Reason
    override: Reason | None = None


class WithdrawRequest(Wire, kw_only=True, frozen=True):
    """Why a revision is withdrawn."""

    reason: Reason
    because: Literal["replaced", "unsafe"]


class RevisionSummary(Wire, kw_only=True, frozen=True):
    """A revision without its content; ``branch`` and ``valid_until`` are of a provisional release."""

    profile: Id
    number: Number
    version: Count
    parent: Number | None
    state: State
    digest: Digest
    author: Name
    note: Note
    created: Instant
    changed: Instant
    reason: str | None
    override: str | None
    released: Instant | None
    released_by: Name | None
    check_due: Instant | None
    branch: Id | None
    valid_until: Instant | None
    withdrawn: Instant | None
    withdrawn_by: Name | None
    withdrawn_because: Withdrawal | None
    withdrawn_reason: str | None
    findings: list[Finding]


class Revision(RevisionSummary, kw_only=True, frozen=True):
    """One numbered state of a profile; ``content`` is sent as the bytes that were hashed."""

    content: Annotated[msgspec.Raw, Meta(extra_json_schema={"$ref": "#/components/schemas/Content"})]


class RevisionPage(Wire, kw_only=True, frozen=True):
    """One page of revisions, newest first; ``next`` is the cursor of the following page."""

    items: list[RevisionSummary]
    next: str | None


class Change(Wire, kw_only=True, frozen=True):
    """One difference in the trade's terms; ``moved`` is relative where the two can be compared."""

    what: str
    before: str
    after: str
    moved: Ratio | None
    within_tolerance: bool | None


class Difference(Wire, kw_only=True, frozen=True):
    """What two revisions of a profile do differently on the ground, and what else was changed."""

    profile: Id
    before: Number
    after: Number
    tolerance: Ratio

    changes: list[Change]
