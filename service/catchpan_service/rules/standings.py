"""How a branch's replica stands to what the organisation released."""

from typing import Final

from catchpan.contract.sync import ReplicaReport, Standing

Digests = tuple[str, str]
"""Of the manifest and of its exceptions."""

_WHY: Final = {
    "silent": "No replica of this branch has reported yet.",
    "same": "It holds what it should.",
    "restored": "It reported before the office's database was restored from a copy; it has to pull.",
    "ahead": "It holds a later state than the office: was the office's database restored without saying so?",
    "behind": "Changes were made that it has not pulled yet.",
    "altered": "What it holds is not what was ever released at that position: verify it, or pull anew.",
}


def judge(said: ReplicaReport | None, *, epoch: int, wanted: Digests, then: Digests | None) -> tuple[Standing, str]:
    """The standing of a replica and why.

    Parameters
    ----------
    said : ReplicaReport or None
        What it last reported.
    epoch : int
        The present one.
    wanted : tuple of str
        Digests of what it should hold now.
    then : tuple of str or None
        Digests of what it should have held at the position that it reported; None where there is no such position.
    """
    if said is None:
        return Standing.NOT_HEARD_OF, _WHY["silent"]
    holds = (said.manifest, said.exceptions)
    if said.epoch < epoch:
        return Standing.BEHIND, _WHY["restored"]
    if then is None:
        return Standing.DIFFERENT, _WHY["ahead"]
    if holds != then:
        return Standing.DIFFERENT, _WHY["altered"]
    return (Standing.IN_STEP, _WHY["same"]) if holds == wanted else (Standing.BEHIND, _WHY["behind"])
