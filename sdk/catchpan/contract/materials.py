"""Materials: granular products as bagged."""

from typing import Annotated, Literal

from msgspec import Meta

from catchpan.contract.base import Count, Id, Instant, Name, Note, ShortNote, Wire
from catchpan.quantities import Density, Mass, Rate, Ratio

Nature = Literal["fertiliser", "seed", "soil_amendment", "ice_melt", "other"]


class Analysis(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """The guaranteed analysis on the bag, by mass."""

    nitrogen: Ratio | None = None
    phosphate: Ratio | None = None
    potash: Ratio | None = None


class MaterialRequest(Wire, kw_only=True, frozen=True, omit_defaults=True):
    """What is known of a material. Limits of rate are the label's: a legal limit, not advice."""

    name: Name
    maker: ShortNote = ""
    nature: Nature = "fertiliser"
    analysis: Analysis | None = None
    bag: Mass | None = None
    bulk_density: Density | None = None
    size_guide_number: Annotated[float, Meta(gt=0, le=2000)] | None = None
    uniformity_index: Annotated[float, Meta(gt=0, le=100)] | None = None
    label_highest_rate: Rate | None = None
    label_yearly_limit: Rate | None = None
    pesticide: bool = False
    note: Note = ""


class Material(MaterialRequest, kw_only=True, frozen=True, omit_defaults=False):
    """A material as stored."""

    id: Id
    version: Count
    created: Instant
    changed: Instant


class MaterialPage(Wire, kw_only=True, frozen=True):
    """One page of materials; ``next`` is the cursor of the following page."""

    items: list[Material]
    next: str | None
