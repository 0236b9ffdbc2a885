"""Who is asking: the organisation of a key, and what the key may do."""

from typing import Literal

from catchpan.contract.base import Id, Name, OpenEnum, Wire
from catchpan.quantities import System


class Role(OpenEnum):
    """What a key may do: an owner everything, a calibrator save and release, a branch and a reader read."""

    OWNER = "owner"
    CALIBRATOR = "calibrator"
    BRANCH = "branch"
    READER = "reader"


class Organisation(Wire, kw_only=True, frozen=True):
    """The organisation of the key that asked, and the key itself."""

    id: Id
    name: Name
    units: System
    key: Id
    key_name: Name
    role: Role


class Health(Wire, kw_only=True, frozen=True):
    """Whether the service is up, or ready to answer."""

    status: Literal["ok"]
    version: str
