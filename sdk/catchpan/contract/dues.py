"""What is due: checks of profiles, and commissionings of machines."""

from catchpan.contract.base import Id, Instant, Name, OpenEnum, Wire


class DueKind(OpenEnum):
    """What is to be done."""

    CHECK = "check"
    CALIBRATION = "calibration"
    COMMISSIONING = "commissioning"


class Due(Wire, kw_only=True, frozen=True):
    """One thing that is due: a check of a profile in use, a calibration where a provisional one ends, a commissioning.

    ``branch`` is null where every branch is concerned; ``due`` is null for a machine that was never commissioned.
    """

    kind: DueKind
    subject: Id
    name: Name
    branch: Id | None
    due: Instant | None


class DuePage(Wire, kw_only=True, frozen=True):
    """What is due; profiles come with the first page, machines page by page, so a page may be empty and have a next."""

    items: list[Due]
    next: str | None
