"""How what a machine runs stands to what it should run."""

from typing import Final

from catchpan.contract.running import Drift

_WHY: Final = {
    Drift.AS_WANTED: "It runs what it should.",
    Drift.DIFFERENT: "It runs revision {running} instead of {wanted}.",
    Drift.UNSAFE: "It runs revision {running}, which is unsafe: stop{instead}.",
    Drift.NOT_SAID: "Nobody has said what it runs; it should run revision {wanted}.",
    Drift.NOT_WANTED: "It runs revision {running}, and should run none of this profile.",
}


def judge(wanted: int | None, running: int | None, *, same_content: bool, unsafe: bool) -> tuple[Drift, str]:
    """The standing of a machine for one profile, and why; by the numbers of the revisions, None for none.

    A restored revision has another number and may have the same content: that is as wanted. One that was withdrawn as
    ``unsafe`` is nothing to drive with, whatever is wanted.
    """
    if unsafe:
        found = Drift.UNSAFE
    elif wanted is None:
        found = Drift.NOT_WANTED
    elif running is None:
        found = Drift.NOT_SAID
    else:
        found = Drift.AS_WANTED if same_content else Drift.DIFFERENT
    instead = "" if wanted is None else f", and set it to revision {wanted}"
    return found, _WHY[found].format(wanted=wanted, running=running, instead=instead)
