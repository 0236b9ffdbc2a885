"""What went down: product and nutrients by branch, material and period, from the material that was used."""

from typing import Annotated

from msgspec import Meta

from catchpan.contract.base import Count, Id, Name, Wire
from catchpan.quantities import Area, Mass

Period = Annotated[str, Meta(description="A month (2026-05) or a year (2026), in UTC.")]


class Total(Wire, kw_only=True, frozen=True):
    """One material at one branch in one period.

    ``area`` is the ground of the ``measured`` records that tell it. Nutrients are those of the guaranteed analysis of
    the day, null where no record had one.
    """

    period: Period
    branch: Id
    branch_name: Name
    material: Id
    material_name: Name
    records: Count
    used: Mass
    measured: Count
    area: Area | None
    nitrogen: Mass | None
    phosphate: Mass | None
    potash: Mass | None


class TotalPage(Wire, kw_only=True, frozen=True):
    """One page of totals, by period, branch and material; ``next`` is the cursor of the following page."""

    items: list[Total]
    next: str | None
