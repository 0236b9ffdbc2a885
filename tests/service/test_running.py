"""What machines run, against what they should, now and on any day, over HTTP."""

from dataclasses import replace

import pytest

from tests.releases import release, slug
from tests.scenario import example, operations, season, serving


@pytest.fixture
def web(own_place, clock):
    with serving(own_place, clock=clock) as made:
        yield made


@pytest.fixture
def ours(web):
    return season(web, in_use=True)


def says(web, ours, **altered):
    body = operations()["reportRunning"].body(ours) | {"at": "2031-04-07T05:40:00Z"} | altered
    return web.send("POST", f"/v1/machines/{ours.machine}/running", body)


def standing(web, ours, query="only_drift=false"):
    items = web.made("GET", f"/v1/drift?{query}&branch={ours.branch}")["items"]
    return {(one["machine"], one["profile"]): one["standing"] for one in items}


def next_revision(web, ours, number=2, **content):
    """Release another revision of the profile in use; its digest."""
    body = example("addRevision")
    asked = body | {"content": body["content"] | {"note": "another"} | content}
    digest = web.made("POST", f"/v1/profiles/{ours.used}/revisions", asked)["digest"]
    release(web, replace(ours, profile=ours.used), number)
    return digest


def test_a_machine_is_as_wanted_once_it_is_said_to_run_what_it_should(web, ours):
    place = (ours.machine, ours.used)
    assert standing(web, ours) == {place: "not_said"}
    assert says(web, ours).json()["present"]
    assert standing(web, ours) == {place: "as_wanted"}
    assert standing(web, ours, "only_drift=true") == {}


def test_a_new_release_makes_every_machine_drift_until_it_takes_it_up(web, ours, clock):
    says(web, ours)
    digest = next_revision(web, ours)
    clock.advance(minutes=15)
    (one,) = web.made("GET", "/v1/drift")["items"]
    assert (one["standing"], one["why"]) == ("different", "It runs revision 1 instead of 2.")
    assert says(web, ours, number=2, digest=digest, at="2031-04-07T06:10:00Z").status_code == 200
    assert web.made("GET", "/v1/drift")["items"] == []


def withdraw(web, ours, because):
    body = {"reason": "clumps", "because": because}
    web.made("POST", f"/v1/profiles/{ours.used}/revisions/1/withdraw", body, If_Match="*")
    (one,) = web.made("GET", "/v1/drift")["items"]
    return one


def test_what_is_withdrawn_and_still_run_is_not_wanted_or_unsafe(web, ours):
    says(web, ours)
    one = withdraw(web, ours, "replaced")
    assert (one["standing"], one["wanted"], one["profile_name"]) == ("not_wanted", None, "used")
    one = withdraw(web, ours, "unsafe")
    assert (one["standing"], one["why"]) == ("unsafe", "It runs revision 1, which is unsafe: stop.")
    next_revision(web, ours)
    (one,) = web.made("GET", "/v1/drift")["items"]
    assert one["why"] == "It runs revision 1, which is unsafe: stop, and set it to revision 2."


def test_a_check_catch_comes_with_a_report_and_is_part_of_it(web, ours):
    assert says(web, ours, check=None).json()["check"] is None
    at = "2031-04-07T05:50:00Z"
    assert says(web, ours, at=at, check="refused").json()["check"] == "refused"
    assert says(web, ours, at=at, check="refused").status_code == 200
    assert says(web, ours, at=at, check="accepted").status_code == 409
    assert says(web, ours, at=at, check="fine").status_code == 400
    listed = web.made("GET", f"/v1/machines/{ours.machine}/running")["items"]
    assert [one["check"] for one in listed] == ["refused", None]


def test_a_late_report_is_kept_and_does_not_move_the_present_and_the_same_one_twice_is_one(web, ours):
    digest = next_revision(web, ours)
    says(web, ours, number=2, digest=digest)
    late = says(web, ours, at="2031-04-06T05:40:00Z")
    assert (late.status_code, late.json()["present"]) == (200, False)
    again = says(web, ours, at="2031-04-06T05:40:00Z")
    assert again.json() == late.json()
    listed = web.made("GET", f"/v1/machines/{ours.machine}/running")["items"]
    assert [(one["number"], one["present"]) for one in listed] == [(1, False), (2, True)]
    other = says(web, ours, at="2031-04-06T05:40:00Z", by="Somebody else")
    assert (other.status_code, slug(other)) == (409, "conflict")


@pytest.mark.parametrize(
    ("altered", "status", "pointer"),
    [
        ({"confirmed": False}, 422, "/confirmed"),
        ({"at": "2031-04-09T06:00:00Z"}, 422, "/at"),
        ({"digest": "sha256:" + "1" * 64}, 422, "/digest"),
        ({"number": 9}, 422, "/number"),
        ({"at": "2031-04-07T05:40:00"}, 400, "/at"),
    ],
)
def test_what_was_not_taken_up_by_a_person_at_the_machine_is_refused(web, ours, altered, status, pointer):
    answer = says(web, ours, **altered)
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (status, pointer)
    assert web.made("GET", f"/v1/machines/{ours.machine}/running")["items"] == []


def test_a_revision_for_another_kind_cannot_run_on_a_machine(web, ours):
    other = {"name": "another kind", "branch": ours.branch, "machine_kind": ours.spare_kind}
    machine = web.made("POST", "/v1/machines", other)["id"]
    body = operations()["reportRunning"].body(ours)
    answer = web.send("POST", f"/v1/machines/{machine}/running", body)
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (422, "/profile")


def test_which_setting_was_on_a_machine_on_a_day_from_which_catches(web, ours, clock):
    says(web, ours)
    clock.advance(days=35)
    next_revision(web, ours, conditions={"machine": "AH-07", "lot": "L3000"})
    web.made(
        "PUT",
        f"/v1/machines/{ours.machine}",
        operations()["replaceMachine"].body(ours) | {"branch": web.branch},
        If_Match="*",
    )
    path = f"/v1/machines/{ours.machine}/history?at="
    then, now = web.made("GET", f"{path}2031-05-01T12:00:00Z"), web.made("GET", f"{path}2031-05-12T12:00:00Z")
    (was,), (is_now,) = then["settings"], now["settings"]
    assert (then["branch"], now["branch"]) == (ours.branch, web.branch)
    assert (was["wanted"]["number"], was["running"]["number"], was["conditions"]["lot"]) == (1, 1, "L2041")
    assert (is_now["wanted"]["number"], is_now["running"]["number"], is_now["conditions"]["lot"]) == (2, 1, "L3000")
    assert (was["correction"]["factor"], is_now["correction"]) == (0.972, None)
    assert then["commissioning"] == 1
    assert web.made("GET", was["content"])["conditions"]["lot"] == "L2041"
    early = web.send("GET", f"{path}2030-01-01T00:00:00Z")
    assert (early.status_code, early.json()["errors"][0]["pointer"]) == (422, "/at")


def test_a_branch_reports_its_own_machines_alone(web, ours):
    body = operations()["reportRunning"].body(ours)
    path = f"/v1/machines/{ours.machine}"
    assert web.send("POST", f"{path}/running", body, key="branch").status_code == 404
    assert web.send("GET", f"{path}/history?at=2031-05-01T12:00:00Z", key="branch").status_code == 404
    own = web.made("POST", "/v1/machines", {"name": "own", "branch": web.branch, "machine_kind": ours.kind})["id"]
    assert web.made("POST", f"/v1/machines/{own}/running", body, key="branch")["machine"] == own
    listed = web.made("GET", "/v1/drift?only_drift=false", key="branch")["items"]
    assert {one["machine"] for one in listed} == {own}
