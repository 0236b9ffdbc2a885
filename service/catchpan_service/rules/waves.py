"""Which machine is in which wave of a rollout."""

import hashlib
from collections.abc import Collection, Iterator, Mapping, Sequence
from math import ceil
from typing import NamedTuple
from uuid import UUID

from catchpan.contract.rollouts import WaveRequest
from catchpan_service.rules.errors import BadWave


class Candidate(NamedTuple):
    """A machine that could take part: of the kind of the profile; the tags are its own and its branch's."""

    branch: str
    tags: frozenset[str]


Candidates = Mapping[UUID, Candidate]


def assign(waves: Sequence[WaveRequest], candidates: Candidates, seed: str) -> dict[UUID, int]:
    """The wave of each machine that is in one, by its number.

    A share is drawn by ``seed``, the same again each time, over what the wave names, of the machines that are in no
    earlier wave.

    Raises
    ------
    BadWave
        A machine that is named is of another kind, or in another wave already; or a wave has no machine.
    """
    found: dict[UUID, int] = {}
    for index, wave in enumerate(waves):
        chosen = {*_named(wave, index, candidates, found), *_drawn(wave, candidates, found, seed)}
        if not chosen:
            allowed = "at least one machine of the kind that is in no earlier wave"
            raise BadWave(f"Wave {index + 1} has no machine.", where=("waves", index), given=None, allowed=allowed)
        found |= dict.fromkeys(sorted(chosen), index + 1)
    return found


def late(waves: Sequence[WaveRequest], candidates: Candidates, known: Collection[UUID]) -> list[UUID]:
    """Machines that a wave would take if it was made up now, and that are in none.

    A wave that took a share left machines out on purpose, and takes none later.
    """
    whole = [wave for wave in waves if wave.share is None]
    return sorted({one for wave in whole for one in _pool(wave, candidates) if one not in known})


def _named(wave: WaveRequest, index: int, candidates: Candidates, taken: Mapping[UUID, int]) -> Iterator[UUID]:
    for place, name in enumerate(wave.machines):
        machine, where = UUID(name), ("waves", index, "machines", place)
        if machine not in candidates:
            message = f"There is no machine {name} of the kind of this profile."
            raise BadWave(message, where=where, given=name, allowed="machines of the kind of the profile")
        if machine in taken:
            message = f"Machine {name} is in wave {taken[machine]} already."
            raise BadWave(message, where=where, given=name, allowed="each machine in one wave")
        yield machine


def _drawn(wave: WaveRequest, candidates: Candidates, taken: Collection[UUID], seed: str) -> list[UUID]:
    pool = _pool(wave, candidates)
    free = [one for one in pool if one not in taken]
    if wave.share is None:
        return free
    drawn = sorted(free, key=lambda one: hashlib.sha256(f"{seed}/{one}".encode()).digest())
    return drawn[: ceil(wave.share.si * len(pool) - 1e-9)]


def _pool(wave: WaveRequest, candidates: Candidates) -> list[UUID]:
    """What a wave names beside single machines: by branches and tags; everything where it names nothing."""
    branches, tags = set(wave.branches), set(wave.tags)
    if not branches and not tags:
        return [] if wave.machines else list(candidates)
    return [one for one, told in candidates.items() if told.branch in branches or tags & told.tags]
