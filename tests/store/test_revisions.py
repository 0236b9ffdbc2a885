"""Revisions: drafts may be replaced; a release freezes, and retires the one in use."""

import random
from datetime import timedelta

import pytest

from catchpan.contract.organisations import Role
from catchpan.contract.profiles import State, Withdrawal
from catchpan.digest import digest
from catchpan_service.rules.errors import Blocked, NotAllowed, NotLegal
from catchpan_service.rules.revisions import Standing, allowed
from catchpan_service.store import audit, contents, profiles, revisions
from catchpan_service.store.errors import NotFound, Stale
from tests.store.office import STOP, do, draft, key, profile

DRAFT, RELEASED, WITHDRAWN = State.DRAFT, State.RELEASED, State.WITHDRAWN
REPLACED, UNSAFE = Withdrawal.REPLACED, Withdrawal.UNSAFE


@pytest.fixture
def subject(database, office):
    return profile(database, office)


def states(database, office, subject):
    page = database.read_now(revisions.page, office.organisation, subject, None, 200)
    return [(item.number, item.state) for item in page.items]


def test_a_draft_gets_the_next_number_and_keeps_the_bytes_that_were_hashed(database, office, subject):
    for number in (1, 2, 3):
        given = draft(f"note {number}", findings=(STOP,))
        made = do(database, office, revisions.add, subject, given)
        read = database.read_now(revisions.get, office.organisation, subject, number)
        assert read == made
        assert bytes(read.content) == given.content
        assert digest(bytes(read.content)) == read.digest == given.digest
        assert (read.number, read.version, read.state, read.findings) == (number, 1, DRAFT, [STOP])
        assert (read.author, read.released, read.reason) == (office.key_name, None, None)


def test_a_summary_is_the_revision_without_its_content(database, office, subject):
    made = do(database, office, revisions.add, subject, draft())
    told = database.read_now(revisions.summary, office.organisation, subject, 1)
    assert all(getattr(told, name) == getattr(made, name) for name in told.__struct_fields__)
    assert database.read_now(revisions.page, office.organisation, subject).items == [told]


def test_equal_content_is_stored_once(database, place, office, subject):
    ((before,),) = place.rows("SELECT count(*) FROM contents")
    for _ in range(3):
        do(database, office, revisions.add, subject, draft("same"))
    assert place.rows("SELECT count(*) FROM contents") == [(before + 1,)]


def test_content_is_found_by_its_digest(database, office, subject):
    given = draft("by digest")
    do(database, office, revisions.add, subject, given)
    assert database.read_now(contents.get, office.organisation, given.digest) == given.content
    with pytest.raises(NotFound, match="There is no content sha256:"):
        database.read_now(contents.get, office.organisation, draft("never").digest)


def test_a_draft_can_be_replaced_and_its_first_content_stays(database, office, subject):
    first, second = draft("first"), draft("second")
    do(database, office, revisions.add, subject, first)
    made = do(database, office, revisions.replace_draft, subject, 1, second, {1})
    assert database.read_now(revisions.get, office.organisation, subject, 1) == made
    assert (made.number, made.version, made.digest) == (1, 2, second.digest)
    assert database.read_now(contents.get, office.organisation, first.digest) == first.content


@pytest.mark.parametrize("expected", [{1}, set(), {3}])
def test_replacing_another_version_is_refused_with_what_is_there(database, office, subject, expected):
    do(database, office, revisions.add, subject, draft("first"))
    do(database, office, revisions.replace_draft, subject, 1, draft("second"), {1})
    with pytest.raises(Stale) as refused:
        do(database, office, revisions.replace_draft, subject, 1, draft("third"), expected)
    assert refused.value.current == database.read_now(revisions.summary, office.organisation, subject, 1)


def test_a_release_refuses_a_stale_revision(database, office, subject):
    do(database, office, revisions.add, subject, draft("first"))
    do(database, office, revisions.replace_draft, subject, 1, draft("second"), {1})
    with pytest.raises(Stale, match="the current version is 2"):
        do(database, office, revisions.release, subject, 1, {1}, "checked")
    assert states(database, office, subject) == [(1, DRAFT)]


def test_a_release_says_who_when_why_and_when_to_check(database, office, subject):
    do(database, office, revisions.add, subject, draft())
    told = do(database, office, revisions.release, subject, 1, {1}, "checked on three machines")
    assert (told.state, told.version, told.reason) == (RELEASED, 2, "checked on three machines")
    assert (told.released_by, told.released) == (office.key_name, told.changed)
    assert told.check_due - told.released == timedelta(days=365)
    assert database.read_now(profiles.get, office.organisation, subject).released == 1


def test_a_release_withdraws_the_one_in_use_in_the_same_write(database, place, office, subject):
    for _ in range(2):
        do(database, office, revisions.add, subject, draft())
    do(database, office, revisions.release, subject, 1, None, "first")
    do(database, office, revisions.release, subject, 2, None, "second")
    assert states(database, office, subject) == [(2, RELEASED), (1, WITHDRAWN)]
    old = database.read_now(revisions.summary, office.organisation, subject, 1)
    assert (old.withdrawn_because, old.withdrawn_reason) == (REPLACED, "Revision 2 was released in its place.")
    assert old.withdrawn == database.read_now(revisions.summary, office.organisation, subject, 2).released
    assert database.read_now(profiles.get, office.organisation, subject).released == 2
    assert database.read_now(audit.verify, office.organisation) == []


def test_a_release_freezes(database, office, subject):
    do(database, office, revisions.add, subject, draft("first"))
    do(database, office, revisions.release, subject, 1, None, "checked")
    with pytest.raises(NotLegal, match="replace is not possible") as refused:
        do(database, office, revisions.replace_draft, subject, 1, draft("second"), None)
    assert refused.value.allowed == ("withdraw_as_replaced", "withdraw_as_unsafe")


def test_going_back_makes_a_new_revision(database, office, subject):
    for _ in range(2):
        do(database, office, revisions.add, subject, draft("old"))
    do(database, office, revisions.release, subject, 1, None, "first")
    do(database, office, revisions.release, subject, 2, None, "second")
    with pytest.raises(NotLegal, match="release is not possible"):
        do(database, office, revisions.release, subject, 1, None, "back")
    again = do(database, office, revisions.add, subject, draft("old", parent=1))
    told = do(database, office, revisions.release, subject, again.number, None, "back to what was")
    assert (told.number, told.parent, told.digest) == (3, 1, draft("old").digest)


def test_a_stop_blocks_a_release_until_an_owner_overrides_it(database, office, subject):
    calibrator = key(database, office.organisation_name, Role.CALIBRATOR)
    do(database, office, revisions.add, subject, draft(findings=(STOP,)))
    with pytest.raises(Blocked, match="above_label"):
        do(database, office, revisions.release, subject, 1, None, "checked")
    with pytest.raises(NotAllowed):
        do(database, calibrator, revisions.release, subject, 1, None, "checked", "because")
    assert states(database, office, subject) == [(1, DRAFT)]
    told = do(database, office, revisions.release, subject, 1, None, "checked", "the label was corrected")
    assert (told.state, told.override) == (RELEASED, "the label was corrected")


def test_an_unsafe_revision_leaves_the_profile_without_one(database, office, subject):
    do(database, office, revisions.add, subject, draft())
    do(database, office, revisions.release, subject, 1, None, "checked")
    told = do(database, office, revisions.withdraw, subject, 1, {2}, "burned a lawn", UNSAFE)
    assert (told.state, told.withdrawn_because, told.withdrawn_reason) == (WITHDRAWN, UNSAFE, "burned a lawn")
    assert (told.withdrawn_by, told.withdrawn) == (office.key_name, told.changed)
    assert database.read_now(profiles.get, office.organisation, subject).released is None


def test_a_replaced_revision_can_turn_out_unsafe_and_the_one_in_use_stays(database, office, subject):
    for _ in range(2):
        do(database, office, revisions.add, subject, draft())
    for number in (1, 2):
        do(database, office, revisions.release, subject, number, None, "checked")
    do(database, office, revisions.withdraw, subject, 1, None, "found too late", UNSAFE)
    assert database.read_now(profiles.get, office.organisation, subject).released == 2
    with pytest.raises(NotLegal, match="nothing can be done"):
        do(database, office, revisions.withdraw, subject, 1, None, "again", REPLACED)


@pytest.mark.parametrize("parent", [1, 2, 99])
def test_a_parent_that_is_not_there_is_named(database, office, subject, parent):
    with pytest.raises(NotFound) as refused:
        do(database, office, revisions.add, subject, draft(parent=parent))
    assert refused.value.field == "parent"


def test_a_draft_is_not_its_own_parent(database, office, subject):
    do(database, office, revisions.add, subject, draft())
    with pytest.raises(NotFound, match="no earlier revision 1"):
        do(database, office, revisions.replace_draft, subject, 1, draft(parent=1), None)


def test_what_is_not_there_is_refused(database, office, subject):
    calls = [
        (revisions.replace_draft, subject, 1, draft(), None),
        (revisions.release, subject, 1, None, "x"),
        (revisions.withdraw, subject, 1, None, "x", UNSAFE),
        (revisions.add, office.key, draft()),
    ]
    for function, *args in calls:
        with pytest.raises(NotFound):
            do(database, office, function, *args)
    with pytest.raises(NotFound, match="no profile"):
        database.read_now(revisions.page, office.organisation, office.key)


def test_pages_are_newest_first_and_hold_each_once_while_others_write(database, office, subject):
    for _ in range(9):
        do(database, office, revisions.add, subject, draft())
    seen, cursor = [], None
    while True:
        page = database.read_now(revisions.page, office.organisation, subject, cursor, 4)
        seen += [item.number for item in page.items]
        do(database, office, revisions.add, subject, draft())
        cursor = page.next
        if cursor is None:
            break
    assert seen == list(range(9, 0, -1))


MOVES = {
    "replace": lambda number: (revisions.replace_draft, number, draft("again"), None),
    "release": lambda number: (revisions.release, number, None, "checked"),
    "withdraw_as_replaced": lambda number: (revisions.withdraw, number, None, "x", REPLACED),
    "withdraw_as_unsafe": lambda number: (revisions.withdraw, number, None, "x", UNSAFE),
}


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_long_walk_keeps_to_the_table_and_to_one_in_use(database, office, subject, seed):
    """Every step does what the table says; the model knows only that a release retires the one in use."""
    chance = random.Random(seed)
    model = {}
    for _ in range(250):
        if not model or chance.random() < 0.15:
            model[len(model) + 1] = Standing(DRAFT)
            do(database, office, revisions.add, subject, draft())
            continue
        number, event = chance.choice(list(model)), chance.choice(list(MOVES))
        function, *args = MOVES[event](number)
        if event not in allowed(model[number]):
            with pytest.raises(NotLegal):
                do(database, office, function, subject, *args)
            continue
        told = do(database, office, function, subject, *args)
        if event == "release":
            model = {n: Standing(WITHDRAWN, REPLACED) if s.state == RELEASED else s for n, s in model.items()}
        model[number] = Standing(told.state, told.withdrawn_because)
    assert states(database, office, subject)[::-1] == [(n, standing.state) for n, standing in model.items()]
    in_use = [n for n, standing in model.items() if standing.state == RELEASED]
    assert [database.read_now(profiles.get, office.organisation, subject).released] == (in_use or [None])
    assert len(in_use) <= 1
    assert database.read_now(audit.verify, office.organisation) == []
