"""Everything that the SDK raises.

CatchpanError
├── QuantityError        text or a unit that cannot be read
├── TableError           a file that cannot be read: file, line and column named
├── UnreachableError     no answer from the service within the deadline
└── ProblemError         the service refused, with a problem; one subclass for each slug
"""


class CatchpanError(Exception):
    """Base of every error of this package."""


class QuantityError(CatchpanError, ValueError):
    """A quantity that cannot be read, or a unit that its dimension does not allow."""


class UnreachableError(CatchpanError):
    """No answer from the service: not there, too slow, or the answer was cut short."""
