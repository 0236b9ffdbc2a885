"""Which role may do what."""

import pytest

from catchpan.contract.organisations import Role
from catchpan_service.rules.access import ALLOWED, Action, branch_fits, may, require
from catchpan_service.rules.errors import NotAllowed

READS = {Action.READ, Action.COMPUTE}
OVERSEES = READS | {Action.OVERSEE}
SAVES = OVERSEES | {Action.SAVE, Action.RELEASE, Action.WITHDRAW, Action.ARRANGE, Action.REPORT}
REPORTS = READS | {Action.REPORT}


@pytest.mark.parametrize(
    ("role", "allowed"),
    [
        (Role.OWNER, set(Action)), (Role.CALIBRATOR, SAVES), (Role.BRANCH, REPORTS), (Role.READER, OVERSEES),
        (Role.CALENDAR, set()),
    ],
)  # fmt: skip
def test_each_role_may_do_what_is_said_and_nothing_else(role, allowed):
    assert {action for action in Action if may(role, action)} == allowed


def test_every_role_has_its_row():
    assert set(ALLOWED) == set(Role)


@pytest.mark.parametrize(
    ("role", "fits"),
    [
        (Role.OWNER, {False}), (Role.CALIBRATOR, {False}), (Role.READER, {False}), (Role.BRANCH, {True}),
        (Role.CALENDAR, {False, True}),
    ],
)  # fmt: skip
def test_a_branch_goes_with_some_roles_alone(role, fits):
    assert {given for given in (False, True) if branch_fits(role, given=given)} == fits


def test_a_role_from_a_newer_version_may_do_nothing():
    assert not any(may(Role("inspector"), action) for action in Action)


def test_a_refusal_names_role_and_action():
    with pytest.raises(NotAllowed, match="role reader may not release") as refused:
        require(Role.READER, Action.RELEASE)
    assert (refused.value.role, refused.value.action) == ("reader", "release")


def test_what_is_allowed_is_not_refused():
    assert require(Role.CALIBRATOR, Action.RELEASE) is None
