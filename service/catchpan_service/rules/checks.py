"""What a check of a machine says: to rollouts, to charts, and to the spread between machines."""

from typing import Final, Literal, NamedTuple

from catchpan.contract.checks import Decision

_OUTCOME: Final[dict[Decision, Literal["accepted", "refused"]]] = {
    Decision.ACCEPT: "accepted",
    Decision.CORRECT: "refused",
    Decision.CALIBRATE_AGAIN: "refused",
}
FAULTY: Final = Decision.CALIBRATE_AGAIN
"""What a check says of a machine with a fault: that is no spread between machines in order."""


class Judged(NamedTuple):
    """What follows from a check, in SI.

    ``ratio`` is delivered over promised, with its relative standard uncertainty; ``factor`` the same over the bare
    curve. ``used`` [kg], ``area`` [m²], and the nutrients [kg] of what was used.
    """

    decision: Decision | None = None
    ratio: float | None = None
    uncertainty: float | None = None
    factor: float | None = None
    used: float | None = None
    area: float | None = None
    nitrogen: float | None = None
    phosphate: float | None = None
    potash: float | None = None


def outcome(decision: Decision | None) -> Literal["accepted", "refused"] | None:
    """What a rollout hears of a decision; nothing where the catches decided nothing."""
    return None if decision is None else _OUTCOME.get(decision)
