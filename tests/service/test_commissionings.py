"""A machine as found with gauge and tachometer, and what it is then to be set to, over HTTP."""

import pytest

from tests.releases import release, slug
from tests.scenario import example, season, serving


@pytest.fixture
def web(own_place, clock):
    with serving(own_place, clock=clock) as made:
        yield made


def place(ours):
    return f"/v1/machines/{ours.machine}/commissionings"


def settings(web, ours, **query):
    asked = "&".join(f"{name}={value}" for name, value in ({"profile": ours.profile} | query).items())
    return web.send("GET", f"/v1/machines/{ours.machine}/settings?{asked}")


def test_a_commissioning_says_what_follows_from_it_and_what_changed_since_last_time(web):
    ours = season(web)
    first = web.made("GET", f"{place(ours)}/1")
    assert [one["gate_range"] for one in first["gates"]] == [693, 691]
    assert first["gates"][0]["backlash"]["value"] == pytest.approx(100 * 3 / 693)
    assert (first["changes"], first["due"]) == ([], "2027-03-02T09:30:00Z")
    moved = example("addCommissioning") | {"done": "2026-04-01T09:00:00Z"}
    moved["gates"] = [moved["gates"][0] | {"closed": 219}, moved["gates"][1]]
    moved["impellers"] = [moved["impellers"][0] | {"vanes": "worn"}]
    again = web.made("POST", place(ours), moved)
    assert [(one["what"], one["before"], one["after"]) for one in again["changes"]] == [
        ("closed stop, left", "212", "219"),
        ("vanes, both", "whole", "worn"),
    ]
    assert again["gates"][0]["closed_moved"]["value"] == pytest.approx(100 * 7 / 693)
    assert {"stop_moved", "vanes_worn"} <= {one["code"] for one in again["findings"]}
    assert [one["number"] for one in web.made("GET", place(ours))["items"]] == [2, 1]


def test_a_commissioning_that_is_recorded_late_takes_its_place_in_time(web):
    ours = season(web)
    early = example("addCommissioning") | {"done": "2026-01-05T08:00:00Z"}
    assert web.made("POST", place(ours), early)["changes"] == []
    release(web, ours)
    assert settings(web, ours).json()["commissioning"] == 1


@pytest.mark.parametrize(
    ("altered", "pointer"),
    [
        ({"done": "2031-04-09T06:00:00Z"}, "/done"),
        ({"due": "2026-03-01T00:00:00Z"}, "/due"),
        ({"gates": [{"closed": 212, "open": 212}]}, "/gates/0/open"),
        ({"gates": [{"closed": 212, "open": 905}, {"closed": 212, "open": 905}]}, "/gates/1/side"),
        ({"gates": [{"closed": 212, "open": 905, "from_below": 3}]}, "/gates/0/from_above"),
        (
            {"impellers": [{"panel": {"value": 600, "unit": "rpm"}, "tachometer": {"value": 0, "unit": "rpm"}}]},
            "/impellers/0/tachometer",
        ),
        ({"scale": {"weight": {"value": 0, "unit": "kg"}, "shown": {"value": 1, "unit": "kg"}}}, "/scale/weight"),
        ({"ground_speed": {"distance": {"value": 0, "unit": "ft"}, "durations": {"values": [9], "unit": "s"}}},
         "/ground_speed/distance"),
    ],
)  # fmt: skip
def test_what_cannot_have_been_found_is_refused_by_its_place_and_not_recorded(web, altered, pointer):
    ours = season(web)
    answer = web.send("POST", place(ours), example("addCommissioning") | altered)
    assert (answer.status_code, slug(answer)) == (422, "not-computable")
    assert answer.json()["errors"][0]["pointer"] == pointer
    assert len(web.made("GET", place(ours))["items"]) == 1


def test_a_machine_is_set_by_what_it_holds_and_by_its_own_stops(web):
    ours = season(web)
    release(web, ours)
    told = settings(web, ours).json()
    assert (told["number"], told["held_by"], told["state"]) == (1, "organisation", "released")
    work = told["works"][0]
    for gate, closed, opened in zip(work["positions"], (212, 208), (905, 899), strict=True):
        assert gate["position"] == pytest.approx(closed + work["set_opening"]["value"] / 100 * (opened - closed))
    table = told["gate_table"]
    assert len(table["openings"]["values"]) == len(table["gates"][1]["positions"])
    assert table["openings"]["values"] == sorted(table["openings"]["values"])


def test_two_machines_with_other_stops_get_the_same_openings_and_other_positions(web):
    ours = season(web)
    release(web, ours)
    body = {"name": "AH-08", "branch": ours.branch, "machine_kind": ours.kind}
    other = web.made("POST", "/v1/machines", body)["id"]
    found = example("addCommissioning") | {"gates": [{"closed": 30, "open": 830}]}
    web.made("POST", f"/v1/machines/{other}/commissionings", found)
    one = settings(web, ours).json()["works"][0]
    two = web.made("GET", f"/v1/machines/{other}/settings?profile={ours.profile}")["works"][0]
    assert one["set_opening"] == two["set_opening"]
    assert two["positions"] == [{"side": "both", "position": pytest.approx(30 + two["set_opening"]["value"] * 8)}]


def test_a_machine_without_a_commissioning_is_told_openings_and_that_it_has_none(web):
    ours = season(web)
    release(web, ours)
    body = {"name": "AH-09", "branch": ours.branch, "machine_kind": ours.kind}
    other = web.made("POST", "/v1/machines", body)["id"]
    told = web.made("GET", f"/v1/machines/{other}/settings?profile={ours.profile}")
    assert (told["commissioning"], told["works"][0]["positions"]) == (None, [])
    assert told["works"][0]["set_opening"] is not None
    assert "not_commissioned" in {one["code"] for one in told["findings"]}


def test_settings_say_that_commissioning_and_check_are_overdue(web, clock):
    ours = season(web)
    release(web, ours)
    clock.advance(days=400)
    codes = {one["code"] for one in settings(web, ours).json()["findings"]}
    assert {"commissioning_due", "check_due"} <= codes


def test_the_narrowest_holding_sets_the_machine_and_a_draft_can_be_tried(web):
    ours = season(web, drafts=2)
    release(web, ours)
    release(web, ours, 2, branch=ours.branch, days=3)
    told = settings(web, ours).json()
    assert (told["number"], told["held_by"]) == (2, "branch")
    assert "provisional_revision" in {one["code"] for one in told["findings"]}
    tried = settings(web, ours, number=1).json()
    assert (tried["number"], tried["held_by"]) == (1, None)


def test_what_a_machine_has_no_setting_for_is_said(web):
    ours = season(web)
    answer = settings(web, ours)
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (422, "/profile")
    assert settings(web, ours, number=9).json()["errors"][0]["pointer"] == "/number"


def test_a_branch_commissions_its_own_machines_and_sees_no_others(web):
    ours = season(web)
    own = {"name": "AH-10", "branch": web.branch, "machine_kind": ours.kind}
    machine = web.made("POST", "/v1/machines", own)["id"]
    body = example("addCommissioning")
    assert web.made("POST", f"/v1/machines/{machine}/commissionings", body, key="branch")["number"] == 1
    assert web.send("POST", place(ours), body, key="branch").status_code == 404
    assert web.send("GET", place(ours), key="branch").status_code == 404
