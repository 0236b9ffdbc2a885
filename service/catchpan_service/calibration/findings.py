"""What a computation wants a person to look at."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Finding:
    """One suspicion: computed, storable and shown.

    Attributes
    ----------
    code : str
        Member of the one list of finding codes, snake case.
    severity : str
        ``note``, ``look`` or ``stop``.
    what : str
        What was seen, in words a technician uses.
    advice : str
        What to do about it: the cheapest thing that would decide.
    where : tuple of (str or int)
        Path of the doubtful value in the arguments, such as ``("catches", 2)``.
    """

    code: str
    severity: str
    what: str
    advice: str
    where: tuple[str | int, ...] = ()
