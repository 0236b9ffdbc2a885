"""What a revision may do next: one literal table of legal moves, and what stands in the way of a release."""

from collections.abc import Iterable, Mapping
from enum import StrEnum
from typing import Final, NamedTuple

from catchpan.contract.findings import Finding, FindingCode, Severity
from catchpan.contract.organisations import Role
from catchpan.contract.profiles import State, Withdrawal
from catchpan_service.rules.access import Action, require
from catchpan_service.rules.errors import Blocked, NotLegal


class Event(StrEnum):
    """What can be done to a revision."""

    REPLACE = "replace"
    RELEASE_PROVISIONALLY = "release_provisionally"
    ROLL_OUT = "roll_out"
    RELEASE = "release"
    WITHDRAW_AS_REPLACED = "withdraw_as_replaced"
    WITHDRAW_AS_UNSAFE = "withdraw_as_unsafe"


class Standing(NamedTuple):
    """The state of a revision and, where it is withdrawn, why."""

    state: State
    because: Withdrawal | None = None


DRAFT: Final = Standing(State.DRAFT)
PROVISIONAL: Final = Standing(State.PROVISIONAL)
RELEASED: Final = Standing(State.RELEASED)
REPLACED: Final = Standing(State.WITHDRAWN, Withdrawal.REPLACED)
UNSAFE: Final = Standing(State.WITHDRAWN, Withdrawal.UNSAFE)

# Nothing leads back from a withdrawal: going back makes a new revision. One that was only replaced can still turn
# out to be unsafe, and every branch that may hold it must hear of that.
MOVES: Final[Mapping[tuple[Standing, Event], Standing]] = {
    (DRAFT, Event.REPLACE): DRAFT,
    (DRAFT, Event.RELEASE_PROVISIONALLY): PROVISIONAL,
    (DRAFT, Event.ROLL_OUT): PROVISIONAL,
    (DRAFT, Event.RELEASE): RELEASED,
    (DRAFT, Event.WITHDRAW_AS_REPLACED): REPLACED,
    (DRAFT, Event.WITHDRAW_AS_UNSAFE): UNSAFE,
    (PROVISIONAL, Event.ROLL_OUT): PROVISIONAL,
    (PROVISIONAL, Event.RELEASE): RELEASED,
    (PROVISIONAL, Event.WITHDRAW_AS_REPLACED): REPLACED,
    (PROVISIONAL, Event.WITHDRAW_AS_UNSAFE): UNSAFE,
    (RELEASED, Event.WITHDRAW_AS_REPLACED): REPLACED,
    (RELEASED, Event.WITHDRAW_AS_UNSAFE): UNSAFE,
    (REPLACED, Event.WITHDRAW_AS_UNSAFE): UNSAFE,
}

WITHDRAWALS: Final[Mapping[Withdrawal, Event]] = {
    Withdrawal.REPLACED: Event.WITHDRAW_AS_REPLACED,
    Withdrawal.UNSAFE: Event.WITHDRAW_AS_UNSAFE,
}


def allowed(standing: Standing) -> tuple[Event, ...]:
    """The events that are legal in this standing."""
    return tuple(event for event in Event if (standing, event) in MOVES)


def move(standing: Standing, event: Event) -> Standing:
    """The standing after the event; NotLegal where the table has no such move."""
    after = MOVES.get((standing, event))
    if after is None:
        legal = allowed(standing)
        options = f"allowed are {', '.join(legal)}" if legal else "nothing can be done to it any more"
        raise NotLegal(
            f"{event} is not possible for a revision that is {standing.state}; {options}.",
            state=standing.state,
            event=event,
            allowed=legal,
        )
    return after


def clear_for_release(
    standing: Standing,
    findings: Iterable[Finding],
    *,
    role: Role,
    override: str | None,
    event: Event = Event.RELEASE,
) -> Standing:
    """The standing after a release, to all or provisionally, unless a finding of severity stop is in the way.

    A borrowed curve is in the way of every release but a provisional one.

    Raises
    ------
    NotLegal
        The standing does not allow a release.
    Blocked
        A finding stops it, and no reason to override was given.
    NotAllowed
        A reason to override was given, by a role that may not.
    """
    after = move(standing, event)
    passing = {FindingCode.CURVE_BORROWED} if event == Event.RELEASE_PROVISIONALLY else set()
    stops = tuple(one.code.value for one in findings if one.severity == Severity.STOP and one.code not in passing)
    if stops and override is None:
        raise Blocked(stops, state=standing.state, event=event)
    if stops:
        require(role, Action.OVERRIDE)
    return after
