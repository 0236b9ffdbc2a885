"""What findings on a flow curve rest on: the session, its fit, and what else is known of the day."""

from collections.abc import Sequence
from dataclasses import dataclass

from .catches import UncertaintyModel
from .curve import FlowCurve
from .errors import CalibrationError
from .knots import Knots
from .law import Law
from .pooling import Session
from .steadiness import Balance, Steadiness


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What is known of a session beside its catches.

    Attributes
    ----------
    reference : FlowCurve or None
        Another curve of the same material, that the flows should be near.
    bag_age : float or None
        Time from opening the bag to the catches [s].
    lots : tuple of str
        Lot of each catch, empty where it was not noted; () if none was.
    """

    reference: FlowCurve | None = None
    bag_age: float | None = None
    lots: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.bag_age is not None and not 0.0 <= self.bag_age <= 1e10:
            raise CalibrationError(
                "bag_opened_later",
                "the bag was opened after the catches",
                where=("bag_opened",),
                given=self.bag_age,
                allowed="a bag opened before the catches were made",
            )


NOTHING_KNOWN = Circumstances()


@dataclass(frozen=True, slots=True)
class Evidence:
    """A session and its fit, as far as findings rest on them."""

    session: Session
    steady: Steadiness
    balance: Balance | None
    law: Law | None
    knots: Knots | None
    fitted: Sequence[float]
    slopes: Sequence[float]
    with_prior: bool
    misfit: bool
    model: UncertaintyModel
    circumstances: Circumstances = NOTHING_KNOWN


def numbered(index: int) -> str:
    """A catch as people count them."""
    return f"catch {index + 1}"


def percent(value: float) -> str:
    """A share in words."""
    return f"{100.0 * value:.3g} %"
