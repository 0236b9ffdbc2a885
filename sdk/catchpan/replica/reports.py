"""What a replica tells people: what it holds, how far that is proved, and what must be said beside it."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Final

import msgspec

from catchpan.contract.base import Wire
from catchpan.contract.profiles import State
from catchpan.contract.sync import Entry, Head, Target
from catchpan.manifests import branch_of
from catchpan.replica import rules
from catchpan.replica.store import Copy

LONGEST_PROOF: Final = timedelta(days=8)
"""From the moment of signing to the end of a head."""

SLACK: Final = timedelta(hours=1)
"""By which the clocks of two machines may differ before it is said."""


class Report(Wire, kw_only=True, frozen=True):
    """What a replica holds, and how far that is proved.

    ``contents_fetched`` counts what the last pull brought; ``notes`` say what a person should look at.
    """

    scope: str
    organisation: str
    epoch: int
    position: int
    manifest: str
    exceptions: str
    profiles: int
    pulled: datetime
    proved_until: datetime
    out_of_date: bool
    contents_fetched: int
    damaged: int
    notes: list[str]


class HeldProfile(Wire, kw_only=True, frozen=True):
    """A profile as it is held here: its entry, its content's bytes, and what must be said beside it."""

    entry: Entry
    content: msgspec.Raw
    notes: list[str]


def report(copy: Copy, digests: tuple[str, str], *, now: datetime, missing: int, fetched: int = 0) -> Report:
    """Tell what is held, by its digests; ``missing`` counts contents of which there are no good bytes."""
    state, (manifest, exceptions) = copy.state, digests
    head = _head(copy)
    notes = doubts(copy, now)
    if missing:
        notes.append(f"{missing} content{' is' if missing == 1 else 's are'} damaged or missing here: pull again")
    return Report(
        scope=state.scope,
        organisation=state.organisation,
        epoch=state.epoch,
        position=state.position,
        manifest=manifest,
        exceptions=exceptions,
        profiles=len({profile for target, _, profile in copy.holdings.lines if target != Target.MACHINE}),
        pulled=state.pulled,
        proved_until=head.expires,
        out_of_date=head.expires <= now,
        contents_fetched=fetched,
        damaged=missing,
        notes=notes,
    )


def in_force(copy: Copy, machine: str | None = None) -> Mapping[str, Entry]:
    """The entry of each profile for the scope, or for one of its machines: the narrowest that is held."""
    places = {
        Target.ORGANISATION: copy.state.organisation,
        Target.BRANCH: branch_of(copy.state.scope),
        Target.MACHINE: machine,
    }
    found: dict[str, bytes] = {}
    for place in places.items():
        found |= {profile: line.entry for (*held, profile), line in copy.holdings.lines.items() if (*held,) == place}
    return {profile: rules.entry_of(entry) for profile, entry in found.items()}


def machines_apart(copy: Copy, entry: Entry) -> list[str]:
    """The machines that are to use another revision of a profile, by their ids."""
    apart = [
        (one, rules.entry_of(line.entry).number)
        for (target, one, profile), line in copy.holdings.lines.items()
        if target == Target.MACHINE and profile == entry.profile
    ]
    return [f"Machine {one}: revision {number} instead" for one, number in sorted(apart) if number != entry.number]


def notes_on(entry: Entry, now: datetime) -> list[str]:
    """What must be said beside a profile before it is used."""
    notes = []
    if entry.state == State.PROVISIONAL and entry.valid_until is None:
        notes.append("PROVISIONAL: on trial, not yet released to everybody")
    if entry.valid_until is not None:
        until = "not valid since" if entry.valid_until <= now else "valid until"
        notes.append(f"PROVISIONAL: {until} {entry.valid_until:%Y-%m-%d %H:%M} UTC")
    if entry.check_due is not None and entry.check_due <= now:
        notes.append(f"Its check was due on {entry.check_due:%Y-%m-%d}: make check catches")
    return notes


def corrections_on(copy: Copy, entry: Entry, now: datetime) -> list[str]:
    """The corrections that are in force on a revision, and those that are over."""
    held = [rules.correction_of(body) for body in copy.holdings.corrections.values()]
    return [
        f"{one.machine_name or f'lot {one.lot}'}: flow corrected by {one.factor:g}"
        + (f" until {one.until:%Y-%m-%d}" if one.until > now else f"; that is over since {one.until:%Y-%m-%d}")
        for one in sorted(held, key=lambda one: (one.machine_name or "", one.lot or ""))
        if (one.profile, one.number) == (entry.profile, entry.number)
    ]


def doubts(copy: Copy, now: datetime) -> list[str]:
    """What is doubtful about the age of the proof."""
    head = _head(copy)
    found = []
    if head.expires <= now:
        found.append(f"Not proved since {head.expires:%Y-%m-%d}: pull, or have a bundle brought")
    if now < copy.state.pulled - SLACK or head.expires - now > LONGEST_PROOF + SLACK:
        found.append("The clock of this machine is behind: set it, since the age of the proof depends on it")
    return found


def _head(copy: Copy) -> Head:
    return msgspec.json.decode(copy.state.signed.head, type=Head)
