"""Problem details (RFC 9457): what the service says when it refuses."""

from typing import Any

from catchpan.contract.base import OpenEnum, Wire


class Slug(OpenEnum):
    """The last part of a problem's type, ``/problems/<slug>``; one constant title and status for each."""

    UNREADABLE = "unreadable"
    KEY_MISSING = "key-missing"
    KEY_REFUSED = "key-refused"
    NOT_ALLOWED = "not-allowed"
    NOT_FOUND = "not-found"
    METHOD_NOT_ALLOWED = "method-not-allowed"
    NOT_ACCEPTABLE = "not-acceptable"
    CONFLICT = "conflict"
    GONE = "gone"
    STALE = "stale"
    TOO_LARGE = "too-large"
    WRONG_MEDIA_TYPE = "wrong-media-type"
    NOT_COMPUTABLE = "not-computable"
    UNKNOWN_REFERENCE = "unknown-reference"
    KEY_REUSED = "key-reused"
    PRECONDITION_MISSING = "precondition-missing"
    INTERNAL = "internal"
    BUSY = "busy"
    STORAGE = "storage"


class Fault(Wire, kw_only=True, frozen=True):
    """One thing that is wrong: where, what was given, what is allowed and in which unit."""

    pointer: str
    code: str
    detail: str
    given: Any = None
    allowed: str = ""


class MemberDifference(Wire, kw_only=True, frozen=True):
    """One member on which two writers differ, by its JSON Pointer: what both began from, and what each made of it."""

    pointer: str
    base: Any
    theirs: Any
    yours: Any


class GroundDifference(Wire, kw_only=True, frozen=True):
    """What the difference does on the ground, in the trade's terms."""

    what: str
    theirs: str
    yours: str


class Clash(Wire, kw_only=True, frozen=True):
    """Two writers changed one thing: nothing was overwritten. ``base`` is null where it is no longer known."""

    base: Any
    theirs: Any
    yours: Any
    members: list[MemberDifference]
    on_the_ground: list[GroundDifference]


class Problem(Wire, kw_only=True, frozen=True):
    """A refusal; ``type`` and ``title`` are constant for each kind, ``errors`` says what to mend.

    ``clash`` is there where somebody else replaced first what you were about to replace.
    """

    type: str
    title: str
    status: int
    detail: str
    request: str = ""
    errors: list[Fault] = []
    current: Any = None
    clash: Clash | None = None

    @property
    def slug(self) -> Slug:
        """The kind of problem."""
        return Slug(self.type.rsplit("/", 1)[-1])
