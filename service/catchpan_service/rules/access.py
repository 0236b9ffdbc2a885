"""Which role may do what, as one table."""

from collections.abc import Mapping
from enum import StrEnum
from typing import Final

from catchpan.contract.organisations import Role
from catchpan_service.rules.errors import NotAllowed


class Action(StrEnum):
    """What a key may be allowed to do."""

    READ = "read"
    COMPUTE = "compute"
    SAVE = "save"
    RELEASE = "release"
    WITHDRAW = "withdraw"
    OVERRIDE = "override"
    ARRANGE = "arrange"  # branches and machines
    REPORT = "report"  # what a replica holds
    OVERSEE = "oversee"  # how all branches stand
    MANAGE_KEYS = "manage keys"
    MANAGE_WEBHOOKS = "manage webhooks"


ALLOWED: Final[Mapping[Role, frozenset[Action]]] = {
    Role.OWNER: frozenset(Action),
    Role.CALIBRATOR: frozenset(Action) - {Action.OVERRIDE, Action.MANAGE_KEYS, Action.MANAGE_WEBHOOKS},
    Role.BRANCH: frozenset({Action.READ, Action.COMPUTE, Action.REPORT}),
    Role.READER: frozenset({Action.READ, Action.COMPUTE, Action.OVERSEE}),
    Role.CALENDAR: frozenset(),  # stands in an address, so that it opens nothing but the calendar
}


def may(role: Role, action: Action) -> bool:
    """Whether the role is allowed the action; a role that this version does not know is allowed nothing."""
    return action in ALLOWED.get(role, frozenset())


def require(role: Role, action: Action) -> None:
    """Refuse with NotAllowed unless the role is allowed the action."""
    if not may(role, action):
        raise NotAllowed(role, action)


def branch_fits(role: Role, *, given: bool) -> bool:
    """Whether a key of a role may be without a branch, or with one: a branch's has one, and a calendar's may have."""
    return role == Role.CALENDAR or (role == Role.BRANCH) == given
