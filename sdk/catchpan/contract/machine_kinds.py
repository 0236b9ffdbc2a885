"""Machine kinds: machines whose gates and impellers are alike, so that one profile fits all of them."""

from typing import Annotated

from msgspec import Meta

from catchpan.contract.base import Count, Id, Instant, Name, Note, Wire
from catchpan.quantities import Mass, Ratio


class MachineKindRequest(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """What the machines of one kind share."""

    name: Name
    gates: Annotated[int, Meta(ge=1, le=2)] = 1
    impellers: Annotated[int, Meta(ge=1, le=2)] = 1
    opening_step: Ratio | None = None
    hopper: Mass | None = None
    note: Note = ""


class MachineKind(MachineKindRequest, kw_only=True, frozen=True, omit_defaults=False):
    """A machine kind as stored."""

    id: Id
    version: Count
    created: Instant
    changed: Instant


class MachineKindPage(Wire, kw_only=True, frozen=True):
    """One page of machine kinds; ``next`` is the cursor of the following page."""

    items: list[MachineKind]
    next: str | None
