"""What is due until a day, over HTTP."""

import pytest

from catchpan.contract.problems import Slug
from tests.releases import release
from tests.scenario import is_problem, season, serving


@pytest.fixture
def web(own_place, clock):
    with serving(own_place, clock=clock) as made:
        yield made


@pytest.fixture
def ours(web):
    return season(web, in_use=True)


def due(web, until, query="", **options):
    items = web.made("GET", f"/v1/dues?until={until}{query}", **options)["items"]
    return [(one["kind"], one["subject"]) for one in items]


def test_what_was_done_longest_ago_comes_first_and_what_is_not_due_yet_is_left_out(web, ours):
    """The machine was commissioned on 2 March 2026, the profile released on 7 April 2031."""
    assert due(web, "2027-03-02T09:00:00Z") == []
    assert due(web, "2027-03-02T09:30:00Z") == [("commissioning", ours.machine)]
    assert due(web, "2032-04-06T06:00:00Z") == [("commissioning", ours.machine), ("check", ours.used)]


def test_without_a_day_today_is_meant(web, ours):
    items = web.made("GET", "/v1/dues")["items"]
    assert [one["kind"] for one in items] == ["commissioning"]


def test_a_machine_that_was_never_commissioned_is_due_before_all_others(web, ours):
    body = {"name": "AH-08", "branch": ours.branch, "machine_kind": ours.kind}
    fresh = web.made("POST", "/v1/machines", body)["id"]
    (first,) = web.made("GET", "/v1/dues?until=2026-12-01T00:00:00Z")["items"]
    assert (first["subject"], first["due"]) == (fresh, None)


def test_where_a_provisional_revision_ends_a_calibration_is_due_at_its_branch(web, ours):
    release(web, ours, branch=ours.branch, days=3)
    assert ("calibration", ours.profile) in due(web, "2031-04-10T06:00:00Z")
    assert ("calibration", ours.profile) not in due(web, "2031-04-09T06:00:00Z")
    assert ("calibration", ours.profile) in due(web, "2031-04-10T06:00:00Z", f"&branch={ours.branch}")
    assert due(web, "2031-04-10T06:00:00Z", key="branch") == []


def test_pages_go_on_machine_by_machine_and_profiles_come_once(web, ours):
    for number in range(3):
        body = {"name": f"AH-2{number}", "branch": ours.branch, "machine_kind": ours.kind}
        web.made("POST", "/v1/machines", body)
    seen, after = [], ""
    while after is not None:
        page = web.made("GET", f"/v1/dues?limit=1&until=2040-01-01T00:00:00Z{after}")
        seen += [one["subject"] for one in page["items"]]
        after = page["next"] and f"&after={page['next']}"
    assert len(seen) == len(set(seen)) == 5


@pytest.mark.parametrize("given", ["0.5", "1735689600", "2027-03-02", "2027-03-02T09:30:00", "tomorrow", ""])
@pytest.mark.parametrize("path", ["/v1/dues?until=", "/v1/machines/{}/history?at="])
def test_what_is_no_instant_with_its_zone_is_refused_by_name(web, ours, path, given):
    told = is_problem(web.send("GET", path.format(ours.machine) + given), Slug.UNREADABLE)
    assert (told.errors[0].code, told.errors[0].given) == ("not_an_instant", given)
