"""What a revision may do next, over the whole table and over thousands of steps."""

from datetime import UTC, datetime
from itertools import product

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from catchpan.contract.findings import Finding, FindingCode, Severity
from catchpan.contract.organisations import Role
from catchpan.contract.profiles import State, Withdrawal
from catchpan_service.rules.due import check_due
from catchpan_service.rules.errors import Blocked, NotAllowed, NotLegal
from catchpan_service.rules.revisions import (
    DRAFT,
    MOVES,
    PROVISIONAL,
    RELEASED,
    REPLACED,
    UNSAFE,
    WITHDRAWALS,
    Event,
    allowed,
    clear_for_release,
    move,
)

STANDINGS = (DRAFT, PROVISIONAL, RELEASED, REPLACED, UNSAFE)
STOP = Finding(code=FindingCode.ABOVE_LABEL, severity=Severity.STOP, where="", what="seen", advice="do")
LOOK = Finding(code=FindingCode.ONE_ROW_ONLY, severity=Severity.LOOK, where="", what="seen", advice="do")


@pytest.mark.parametrize(("standing", "event"), list(product(STANDINGS, Event)))
def test_a_move_is_in_the_table_or_refused_with_what_is_allowed(standing, event):
    if (standing, event) in MOVES:
        assert move(standing, event) in STANDINGS
        return
    with pytest.raises(NotLegal) as refused:
        move(standing, event)
    assert refused.value.state == standing.state
    assert refused.value.allowed == allowed(standing)
    assert all(str(legal) in str(refused.value) for legal in allowed(standing))


def test_only_a_draft_may_be_replaced():
    assert [standing for standing in STANDINGS if Event.REPLACE in allowed(standing)] == [DRAFT]


def test_nothing_leads_out_of_unsafe():
    assert allowed(UNSAFE) == ()


def test_a_withdrawn_revision_never_comes_back_into_use():
    after = {after for (before, _), after in MOVES.items() if before.state == State.WITHDRAWN}
    assert {standing.state for standing in after} == {State.WITHDRAWN}


def test_every_standing_can_become_unsafe_but_unsafe_itself():
    found = [standing for standing in STANDINGS if Event.WITHDRAW_AS_UNSAFE in allowed(standing)]
    assert found == [DRAFT, PROVISIONAL, RELEASED, REPLACED]


def test_each_reason_to_withdraw_has_its_event():
    assert {move(RELEASED, WITHDRAWALS[because]).because for because in Withdrawal} == set(Withdrawal)


def test_a_finding_that_stops_blocks_a_release_and_is_named():
    with pytest.raises(Blocked, match="above_label") as refused:
        clear_for_release(DRAFT, [LOOK, STOP], role=Role.OWNER, override=None)
    assert refused.value.codes == ("above_label",)


def test_an_owner_overrides_a_stop_with_a_reason():
    assert clear_for_release(DRAFT, [STOP], role=Role.OWNER, override="the label was corrected") == RELEASED


def test_a_calibrator_may_not_override_a_stop():
    with pytest.raises(NotAllowed, match="role calibrator may not override"):
        clear_for_release(DRAFT, [STOP], role=Role.CALIBRATOR, override="because")


def test_a_finding_to_look_at_does_not_block():
    assert clear_for_release(DRAFT, [LOOK], role=Role.CALIBRATOR, override=None) == RELEASED


@pytest.mark.parametrize("standing", [RELEASED, REPLACED, UNSAFE])
def test_an_override_does_not_make_a_move_legal(standing):
    with pytest.raises(NotLegal, match="release is not possible"):
        clear_for_release(standing, [STOP], role=Role.OWNER, override="because")


def test_a_release_wants_its_next_check_within_a_year():
    # Common practice: at least once a year.
    assert check_due(datetime(2026, 3, 2, 7, 0, tzinfo=UTC)) == datetime(2027, 3, 2, 7, 0, tzinfo=UTC)


class OneProfile(RuleBasedStateMachine):
    """The revisions of one profile, where a release retires the one in use, as the store does it."""

    @initialize()
    def nothing_yet(self):
        self.standings = []
        self.ever_withdrawn = set()

    @rule()
    def add(self):
        self.standings.append(DRAFT)

    @precondition(lambda self: self.standings)
    @rule(data=st.data(), event=st.sampled_from(Event))
    def happen(self, data, event):
        which = data.draw(st.integers(0, len(self.standings) - 1))
        before = list(self.standings)
        try:
            after = move(self.standings[which], event)
        except NotLegal:
            assert self.standings == before
            return
        if after == RELEASED and RELEASED in self.standings:
            in_use = self.standings.index(RELEASED)
            self.standings[in_use] = move(RELEASED, Event.WITHDRAW_AS_REPLACED)
        self.standings[which] = after
        self.ever_withdrawn |= {n for n, standing in enumerate(self.standings) if standing.state == State.WITHDRAWN}

    @invariant()
    def at_most_one_is_in_use(self):
        assert self.standings.count(RELEASED) <= 1

    @invariant()
    def what_was_withdrawn_stays_withdrawn(self):
        assert all(self.standings[n].state == State.WITHDRAWN for n in self.ever_withdrawn)


OneProfile.TestCase.settings = settings(max_examples=60, stateful_step_count=60, deadline=None)
TestOneProfile = OneProfile.TestCase
