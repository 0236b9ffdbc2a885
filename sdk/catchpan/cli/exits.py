"""Exit codes: one for each kind of failure, so that scripts can tell them apart."""

from catchpan import errors

OK = 0
MISTAKE = 1
USAGE = 2
INPUT = 3
NOT_FOUND = 4
CONFLICT = 5
ACCESS = 6
UNREACHABLE = 7
NOT_INSTALLED = 8
NOT_BELIEVED = 9

MEANINGS = {
    OK: "done",
    MISTAKE: "a mistake of the program or the service",
    USAGE: "the command line cannot be read",
    INPUT: "a file or a value cannot be read or computed",
    NOT_FOUND: "there is no such thing",
    CONFLICT: "someone else changed it first, or its state does not allow this",
    ACCESS: "a key is missing, not valid, or not allowed to",
    UNREACHABLE: "the service does not answer, or another program holds the database",
    NOT_INSTALLED: "a part of the package is not installed",
    NOT_BELIEVED: "a copy or a chain is damaged, or what arrived is not believed",
}

_KINDS: list[tuple[type[Exception] | tuple[type[Exception], ...], int]] = [
    ((errors.QuantityError, errors.NotCanonicalError, errors.TableError), INPUT),
    ((errors.UnreadableError, errors.NotComputableError, errors.TooLargeError, errors.UnknownReferenceError), INPUT),
    ((errors.NotFoundError, errors.MissingError), NOT_FOUND),
    ((errors.ConflictError, errors.StaleError, errors.KeyReusedError, errors.PreconditionMissingError), CONFLICT),
    (errors.GoneError, CONFLICT),
    ((errors.KeyMissingError, errors.KeyRefusedError, errors.NotAllowedError), ACCESS),
    ((errors.UnreachableError, errors.BusyError, errors.StorageError, errors.HeldError), UNREACHABLE),
    (errors.TakenError, CONFLICT),
    (errors.NotInstalledError, NOT_INSTALLED),
    ((errors.ReplicaError, errors.DamagedError), NOT_BELIEVED),
]


def exit_code(error: errors.CatchpanError) -> int:
    """The exit code of an error."""
    return next((code for kinds, code in _KINDS if isinstance(error, kinds)), MISTAKE)
