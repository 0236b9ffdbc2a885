"""Everything that the SDK raises.

CatchpanError
├── QuantityError          text or a unit that cannot be read
├── NotCanonicalError      a document that has no canonical form
├── TableError             a file that cannot be read: file, line and column named
├── UnreachableError       no answer from the service within the deadline
├── AnswerError            an answer that is no answer of this service
├── NotInstalledError      a part of the package that is not installed
├── HeldError              the database on this machine is held by another program
├── MissingError           nothing of the name that was given
├── TakenError             a name on this machine that is in use
├── ReplicaError           something that a replica does not believe or cannot read; see catchpan.replica.errors
├── SignatureError         a webhook's message that was not signed as it should be
├── DamagedError           kept on this machine, and not as it was written any more
└── ProblemError           the service refused, with a problem; one subclass for each slug
"""

from catchpan.contract.problems import Problem, Slug


class CatchpanError(Exception):
    """Base of every error of this package."""


class QuantityError(CatchpanError, ValueError):
    """A quantity that cannot be read, or a unit that its dimension does not allow."""


class NotCanonicalError(CatchpanError, ValueError):
    """A document that RFC 8785 cannot hold: NaN, an infinity, an integer from 2^53, a lone surrogate."""


class TableError(CatchpanError, ValueError):
    """A file that cannot be read; the message names file, line and column."""


class UnreachableError(CatchpanError):
    """No answer from the service within the deadline: not there, too slow, or cut short."""


class AnswerError(CatchpanError):
    """Something answered, but not as this service does."""


class NotInstalledError(CatchpanError):
    """A part of the package that is not installed; the message says how to get it."""


class HeldError(CatchpanError):
    """The database on this machine is held by another program: use ``--server``, or stop it."""


class MissingError(CatchpanError):
    """Nothing of the name or id that was given; the message lists what there is."""


class TakenError(CatchpanError):
    """A name on this machine that is in use."""


class ReplicaError(CatchpanError):
    """Something that a replica does not believe, or cannot read or write; what it holds stays as it was."""


class DamagedError(CatchpanError):
    """Something kept on this machine that is not as it was written any more."""


class SignatureError(CatchpanError):
    """A message that a webhook received and must not believe: not signed, not in time, or no event."""


class ProblemError(CatchpanError):
    """The service refused; ``problem`` says what and why, ``problem.errors`` where and what is allowed."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(problem.detail)
        self.problem = problem


class UnreadableError(ProblemError):
    """The request cannot be read: a body or a parameter is not as the document asks."""


class KeyMissingError(ProblemError):
    """A key is needed."""


class KeyRefusedError(ProblemError):
    """The key is unknown, revoked or expired."""


class NotAllowedError(ProblemError):
    """The role of the key does not allow this."""


class NotFoundError(ProblemError):
    """There is no such thing in this organisation."""


class MethodNotAllowedError(ProblemError):
    """The method is not allowed here."""


class NotAcceptableError(ProblemError):
    """The answer cannot be given in the form that was asked for."""


class ConflictError(ProblemError):
    """The state of things does not allow this."""


class GoneError(ProblemError):
    """The changes after this cursor can no longer be told: take a snapshot, and replace by it what is held."""


class StaleError(ProblemError):
    """Someone else changed it first; ``problem.current`` is what it is now."""


class TooLargeError(ProblemError):
    """The request is too large."""


class WrongMediaTypeError(ProblemError):
    """The body is not JSON."""


class NotComputableError(ProblemError):
    """The input is well formed but cannot be computed."""


class UnknownReferenceError(ProblemError):
    """The request refers to something that does not exist in this organisation."""


class KeyReusedError(ProblemError):
    """The idempotency key was used for another request."""


class PreconditionMissingError(ProblemError):
    """If-Match is needed."""


class InternalError(ProblemError):
    """The service made a mistake."""


class BusyError(ProblemError):
    """The service is busy; it said when to try again."""


class StorageError(ProblemError):
    """The service cannot reach or fill its storage now; nothing was stored."""


BY_SLUG: dict[Slug, type[ProblemError]] = {
    Slug.UNREADABLE: UnreadableError,
    Slug.KEY_MISSING: KeyMissingError,
    Slug.KEY_REFUSED: KeyRefusedError,
    Slug.NOT_ALLOWED: NotAllowedError,
    Slug.NOT_FOUND: NotFoundError,
    Slug.METHOD_NOT_ALLOWED: MethodNotAllowedError,
    Slug.NOT_ACCEPTABLE: NotAcceptableError,
    Slug.CONFLICT: ConflictError,
    Slug.GONE: GoneError,
    Slug.STALE: StaleError,
    Slug.TOO_LARGE: TooLargeError,
    Slug.WRONG_MEDIA_TYPE: WrongMediaTypeError,
    Slug.NOT_COMPUTABLE: NotComputableError,
    Slug.UNKNOWN_REFERENCE: UnknownReferenceError,
    Slug.KEY_REUSED: KeyReusedError,
    Slug.PRECONDITION_MISSING: PreconditionMissingError,
    Slug.INTERNAL: InternalError,
    Slug.BUSY: BusyError,
    Slug.STORAGE: StorageError,
}


def problem_error(problem: Problem) -> ProblemError:
    """The exception of a problem; the base class for a kind that this version does not know."""
    return BY_SLUG.get(problem.slug, ProblemError)(problem)
