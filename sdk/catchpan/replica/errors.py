"""What a replica refuses; what it holds stays as it was, and the next pull may succeed.

ReplicaError
├── WrongKeyError       signed by a key that was not pinned, or a signature that does not fit
├── RolledBackError     older than what is held already
├── OutOfDateError      a head whose time is over: somebody may be holding back what is new
├── DifferentError      bytes, digests or entries that do not fit what was signed
├── BundleError         a bundle file that is cut short, extended, or no bundle
├── DamagedError        what is held on this machine does not fit its digest any more
└── EmptyError          nothing was pulled yet
"""

from catchpan.errors import DamagedError as AnyDamagedError
from catchpan.errors import ReplicaError

__all__ = [
    "BundleError",
    "DamagedError",
    "DifferentError",
    "EmptyError",
    "OutOfDateError",
    "ReplicaError",
    "RolledBackError",
    "WrongKeyError",
]


class WrongKeyError(ReplicaError):
    """Signed by a key that was not pinned, or a signature that does not fit."""


class RolledBackError(ReplicaError):
    """Older than what is held already."""


class OutOfDateError(ReplicaError):
    """A head whose time is over: somebody may be holding back what is new, or this machine's clock is wrong."""


class DifferentError(ReplicaError):
    """What arrived does not fit what was signed."""


class BundleError(ReplicaError):
    """A bundle file that is cut short, extended, or no bundle."""


class DamagedError(ReplicaError, AnyDamagedError):
    """What is held on this machine does not fit its digest any more: pull again to mend it."""


class EmptyError(ReplicaError):
    """Nothing was pulled yet."""
