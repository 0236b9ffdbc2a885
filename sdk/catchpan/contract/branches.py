"""Branches and machines: the sites of a company, and the spreaders at each."""

from typing import Annotated

from msgspec import Meta

from catchpan.contract.base import Count, Id, Instant, Name, Note, ShortNote, Wire

Tag = Annotated[str, Meta(min_length=1, max_length=40, pattern=r"^[^\x00,]*$", description="A word to pick by.")]
Tags = Annotated[list[Tag], Meta(max_length=20)]


class BranchRequest(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """What is known of a branch."""

    name: Name
    tags: Tags = []
    note: Note = ""


class Branch(BranchRequest, kw_only=True, frozen=True, omit_defaults=False):
    """A branch as stored."""

    id: Id
    version: Count
    created: Instant
    changed: Instant


class BranchPage(Wire, kw_only=True, frozen=True):
    """One page of branches; ``next`` is the cursor of the following page."""

    items: list[Branch]
    next: str | None


class MachineRequest(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """What is known of a machine: its branch, its kind, and what it is called there."""

    name: Name
    branch: Id
    machine_kind: Id
    serial: ShortNote = ""
    tags: Tags = []
    note: Note = ""


class Machine(MachineRequest, kw_only=True, frozen=True, omit_defaults=False):
    """A machine as stored."""

    id: Id
    version: Count
    created: Instant
    changed: Instant


class MachinePage(Wire, kw_only=True, frozen=True):
    """One page of machines; ``next`` is the cursor of the following page."""

    items: list[Machine]
    next: str | None
