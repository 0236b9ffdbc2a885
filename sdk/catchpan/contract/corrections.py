"""Corrections: a factor on flow for one machine or one lot, on one revision, kept beside it."""

from typing import Annotated

from msgspec import Meta

from catchpan.contract.base import Digest, Id, Instant, Name, Reason, ShortNote, Wire
from catchpan.contract.profiles import Number
from catchpan.quantities import Ratio

Factor = Annotated[float, Meta(description="Flow caught over the flow that the curve promises; 0.90 to 1.10.")]
Checks = Annotated[list[Id], Meta(max_length=50)]


class CorrectionRequest(Wire, kw_only=True, frozen=True):
    """A correction for exactly one of ``machine`` and ``lot``, from checks, until a day.

    It takes the place of the one that is in force for the same machine or lot on the same revision.
    """

    profile: Id
    number: Number
    machine: Id | None = None
    lot: ShortNote | None = None
    factor: Factor
    standard_uncertainty: Ratio
    checks: Checks = []
    by: Name
    reason: Reason
    until: Instant


class Correction(Wire, kw_only=True, frozen=True):
    """A correction as a manifest's exceptions hold it; ``digest`` is that of the revision's content."""

    id: Id
    profile: Id
    number: Number
    digest: Digest
    machine: Id | None
    machine_name: Name | None
    lot: ShortNote | None
    factor: Factor
    standard_uncertainty: Ratio
    checks: Checks
    by: Name
    reason: Reason
    until: Instant
    made: Instant


class KeptCorrection(Correction, kw_only=True, frozen=True):
    """A correction, and when it was taken out of force; null while it is in force."""

    ended: Instant | None


class CorrectionPage(Wire, kw_only=True, frozen=True):
    """One page of corrections; ``next`` is the cursor of the following page."""

    items: list[KeptCorrection]
    next: str | None
