"""Bulk changes: many materials, machine kinds, branches, machines and commissionings in one write."""

from typing import Annotated

from msgspec import Meta

from catchpan.contract.base import Count, Id, Name, Note, OpenEnum, ShortNote, Wire
from catchpan.contract.branches import BranchRequest, Tags
from catchpan.contract.commissionings import CommissioningRequest
from catchpan.contract.machine_kinds import MachineKindRequest
from catchpan.contract.materials import MaterialRequest
from catchpan.contract.problems import Problem

MAX_ITEMS = 20_000
MAX_BYTES = 33_554_432
"""The largest body [byte] of a bulk change."""

Named = Annotated[str, Meta(min_length=1, max_length=120, pattern=r"^[^\x00]*$", description="A name or an id.")]


class BulkKind(OpenEnum):
    """What an item puts in place: the name of its one member that is there."""

    MATERIAL = "material"
    MACHINE_KIND = "machine_kind"
    BRANCH = "branch"
    MACHINE = "machine"
    COMMISSIONING = "commissioning"


class BulkOutcome(OpenEnum):
    """What became of an item."""

    ADDED = "added"
    CHANGED = "changed"
    UNCHANGED = "unchanged"


class BulkMachine(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """A machine, with its branch and its kind by name or id; earlier items of the same call count."""

    name: Name
    branch: Named
    machine_kind: Named
    serial: ShortNote = ""
    tags: Tags = []
    note: Note = ""


class BulkCommissioning(Wire, kw_only=True, frozen=True):
    """What was found on a machine, told by name or id."""

    machine: Named
    record: CommissioningRequest


class BulkItem(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """One thing to put in place: exactly one of ``material`` to ``commissioning``.

    What has its name, or the ``id``, is replaced if it differs; otherwise it is new. With ``version`` it is replaced
    only while it has that version. A commissioning is recorded, unless the machine has one that says the same; it takes
    neither ``id`` nor ``version``.
    """

    id: Id | None = None
    version: Count | None = None
    material: MaterialRequest | None = None
    machine_kind: MachineKindRequest | None = None
    branch: BranchRequest | None = None
    machine: BulkMachine | None = None
    commissioning: BulkCommissioning | None = None


class BulkRequest(Wire, kw_only=True, frozen=True):
    """Things to put in place, in this order; one thing stands in a call once."""

    items: Annotated[list[BulkItem], Meta(max_length=MAX_ITEMS)]


class BulkResult(Wire, kw_only=True, frozen=True):
    """What became of an item; of a commissioning, ``id`` and ``name`` are its machine's, ``version`` its number."""

    kind: BulkKind
    id: Id
    name: Name
    version: Count
    outcome: BulkOutcome


class BulkAnswer(Wire, kw_only=True, frozen=True):
    """What became of each item, in their order."""

    items: list[BulkResult]


class BulkItemAnswer(Wire, kw_only=True, frozen=True):
    """The result or the problem of one item."""

    result: BulkResult | None = None
    problem: Problem | None = None


class BulkAnswers(Wire, kw_only=True, frozen=True):
    """The result or the problem of each item, in their order."""

    items: list[BulkItemAnswer]
