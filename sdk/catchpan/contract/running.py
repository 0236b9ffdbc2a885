"""What a machine runs, as it or its branch says; and how that stands to what it should."""

from typing import Annotated, Literal

from msgspec import Meta

from catchpan.contract.base import Count, Digest, Id, Instant, Name, OpenEnum, Wire
from catchpan.contract.corrections import Correction
from catchpan.contract.profiles import Conditions, Number
from catchpan.contract.sync import Position, Target

Confirmed = Annotated[
    bool, Meta(description="A person at the parked machine, gates shut, confirms it; nothing is taken up otherwise.")
]
CheckCatch = Literal["accepted", "refused"]


class RunningReport(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """The revision of a profile that a machine runs since ``at``, and what a check catch with it came to, if any."""

    profile: Id
    number: Number
    digest: Digest
    at: Instant
    by: Name
    confirmed: Confirmed
    check: CheckCatch | None = None


class Running(Wire, kw_only=True, frozen=True):
    """A report as it was received; ``present`` is false for one that is older than another that came before."""

    machine: Id
    profile: Id
    number: Number
    digest: Digest
    at: Instant
    by: Name
    check: CheckCatch | None
    received: Instant
    present: bool


class RunningPage(Wire, kw_only=True, frozen=True):
    """One page of what a machine ran, the latest first; ``next`` is the cursor of the following page."""

    items: list[Running]
    next: str | None


class Drift(OpenEnum):
    """How what a machine runs stands to what it should."""

    AS_WANTED = "as_wanted"
    DIFFERENT = "different"
    UNSAFE = "unsafe"
    NOT_SAID = "not_said"
    NOT_WANTED = "not_wanted"


class Wanted(Wire, kw_only=True, frozen=True):
    """The revision that a machine should run, and for whom it is held."""

    number: Number
    digest: Digest
    held_by: Target


class MachineProfile(Wire, kw_only=True, frozen=True):
    """One profile on one machine: wanted and running, how that stands, and why."""

    machine: Id
    machine_name: Name
    branch: Id
    profile: Id
    profile_name: Name
    wanted: Wanted | None
    running: Running | None
    standing: Drift
    why: str


class DriftPage(Wire, kw_only=True, frozen=True):
    """The profiles of some machines; with ``only_drift`` those alone that are not as wanted.

    A page may be empty and still have a ``next``: pages are cut by machines.
    """

    items: list[MachineProfile]
    next: str | None


class PastSetting(Wire, kw_only=True, frozen=True):
    """What was in force on a machine for one profile: wanted and running, from which catches, with which correction.

    ``content`` is the path of the content, with its catches.
    """

    profile: Id
    profile_name: Name
    wanted: Wanted
    running: Running | None
    correction: Correction | None
    conditions: Conditions | None
    content: str


class MachineHistory(Wire, kw_only=True, frozen=True):
    """What was in force on a machine at an instant, by the feed's position then."""

    machine: Id
    machine_name: Name
    branch: Id
    at: Instant
    position: Position
    commissioning: Count | None
    settings: list[PastSetting]
