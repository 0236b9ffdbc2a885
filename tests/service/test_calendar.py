"""What is due as a calendar: it parses, stays the same while nothing changes, and its secret opens nothing else."""

import json
from datetime import date

import icalendar
import ics
import pytest

from catchpan.contract.dues import Due, DueKind
from catchpan.contract.problems import Slug
from catchpan_service.calendars import LONGEST, calendar
from catchpan_service.store import keys
from tests.releases import release
from tests.scenario import MISSING, is_problem, operations, season, serving

CALENDAR = "/v1/calendar.ics?token="


@pytest.fixture
def web(own_place, clock):
    with serving(own_place, clock=clock) as made:
        yield made


@pytest.fixture
def ours(web):
    return season(web, in_use=True)


def feed(web, token, **headers):
    return web.send("GET", f"{CALENDAR}{token}", key=None, **headers)


def events(body):
    """What two readers of such files find, once both agree."""
    found = {
        str(one["uid"]): (str(one["summary"]), one["dtstart"].dt, str(one["location"]), str(one.get("description", "")))
        for one in icalendar.Calendar.from_ical(body).walk("VEVENT")
    }
    other = {one.uid: (one.name, one.begin.date(), one.location) for one in ics.Calendar(body.decode()).events}
    assert other == {uid: told[:3] for uid, told in found.items()}
    return found


def new_token(web, **options):
    token = keys.secret_of(bytes([len(options)]) * 32)
    request = {"name": "wall", "role": "calendar", "hash": keys.hash_of(token)} | options
    return token, web.made("POST", "/v1/keys", request)["id"]


def test_it_tells_what_is_due_in_two_years_and_what_is_overdue_today(web, ours, clock):
    """The machine was commissioned on 2 March 2026 for a year; the profile released on 7 April 2031."""
    answer = feed(web, ours.token)
    assert (answer.status_code, answer.headers["content-type"].split(";")[0]) == (200, "text/calendar")
    found = events(answer.content)
    assert found[f"commissioning-{ours.machine}-{ours.branch}"][1:] == (
        clock.now.date(), "North yard", "Due since 2027-03-02",
    )  # fmt: skip
    summary, day, where, _ = found[f"check-{ours.used}-all"]
    assert (summary, day, where) == ("Check used", date(2032, 4, 6), "all branches")
    assert len(found) == 2


def test_an_event_keeps_its_name_when_its_day_moves(web, ours, clock):
    before = events(feed(web, ours.token).content)
    clock.advance(days=10)
    release(web, ours)
    after = events(feed(web, ours.token).content)
    assert set(before) < set(after)
    assert before[f"commissioning-{ours.machine}-{ours.branch}"] != after[f"commissioning-{ours.machine}-{ours.branch}"]


def test_while_nothing_changes_a_day_long_the_answer_is_304(web, ours, clock):
    tag = feed(web, ours.token).headers["etag"]
    clock.advance(hours=17)
    again = feed(web, ours.token, If_None_Match=tag)
    assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", tag)
    release(web, ours)
    assert feed(web, ours.token, If_None_Match=tag).status_code == 200


def test_a_calendar_of_a_branch_tells_its_part_alone(web, ours):
    release(web, ours, branch=web.branch, days=3)
    elsewhere, _ = new_token(web, branch=web.branch)
    found = events(feed(web, elsewhere).content)
    assert set(found) == {f"check-{ours.used}-all", f"calibration-{ours.profile}-{web.branch}"}


def test_a_calendar_of_another_organisation_tells_nothing_of_ours(web, ours):
    theirs = season(web, key="other owner")
    assert set(events(feed(web, theirs.token).content)) == {f"commissioning-{theirs.machine}-{theirs.branch}"}


@pytest.mark.parametrize("operation", operations().values(), ids=operations())
def test_the_secret_of_a_calendar_opens_nothing_else(module_web, operation):
    web, ours = module_web
    stored = web.dump()
    answer = operation.call(web, ours, "calendar ", key=ours.token)
    if operation.id in {"health", "ready", "showCalendar"}:
        assert answer.status_code == 200
    else:
        is_problem(answer, Slug.KEY_REFUSED)
    assert web.dump() == stored


@pytest.fixture(scope="module")
def module_web(tmp_path_factory):
    with serving(tmp_path_factory.mktemp("calendar")) as web:
        ours = season(web, in_use=True)
        feed(web, ours.token)
        yield web, ours


@pytest.mark.parametrize("role", ["owner", "calibrator", "branch", "reader"])
def test_no_other_key_has_a_place_in_an_address(module_web, role):
    web, _ = module_web
    assert web.keys[role] not in is_problem(feed(web, web.keys[role]), Slug.KEY_REFUSED).detail


def test_without_a_secret_or_with_a_wrong_one_it_stays_shut(module_web):
    web, _ = module_web
    is_problem(web.send("GET", "/v1/calendar.ics", key="owner"), Slug.KEY_MISSING)
    for token in ("", "catchpan-", keys.secret_of(bytes(32)), "%00", "%F0%9F%8C%B1"):
        is_problem(feed(web, token), Slug.KEY_REFUSED)
    is_problem(feed(web, "x" * 201), Slug.UNREADABLE)


def test_an_ended_calendar_is_refused(web, ours, clock):
    until = "2031-04-08T06:00:00Z"
    (token, key), (short, _) = new_token(web), new_token(web, expires=until)
    assert feed(web, token).status_code == feed(web, short).status_code == 200
    web.made("POST", f"/v1/keys/{key}/revoke")
    web.app.state.keyring.forget(keys.hash_of(token))
    is_problem(feed(web, token), Slug.KEY_REFUSED)
    clock.advance(days=1)
    web.app.state.keyring.forget(keys.hash_of(short))
    is_problem(feed(web, short), Slug.KEY_REFUSED)


def test_an_owner_alone_makes_one(web):
    for key in ("calibrator", "reader", "branch"):
        request = {"name": "wall", "role": "calendar", "hash": "0" * 64}
        is_problem(web.send("POST", "/v1/keys", request, key=key), Slug.NOT_ALLOWED)
    request = {"name": "wall", "role": "calendar", "hash": "0" * 64, "branch": MISSING}
    assert json.loads(web.send("POST", "/v1/keys", request).content)["errors"][0]["pointer"] == "/branch"


@pytest.mark.parametrize(
    "name", ["a,b;c\\d", "two\nlines", "bell\x07 tab\t", "ä" * 60, "🌱" * 40, "a" * 59 + "é" * 41, "x" * 200]
)
def test_any_name_arrives_as_it_was_given_in_lines_that_are_short_enough(name):
    due = Due(kind=DueKind.CHECK, subject=MISSING, name=name, branch=None, due=None)
    body = calendar([due], yards={}, name="Alder Hollow Grounds", today=date(2031, 4, 7))
    assert all(len(line) <= LONGEST and line.decode() is not None for line in body.split(b"\r\n"))
    ((told, *_),) = events(body).values()
    assert told == "Check " + name.translate({7: " ", 9: " "})
