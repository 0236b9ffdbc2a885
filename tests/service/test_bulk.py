"""Bulk changes: all or none, or each by itself; always one write."""

import pytest

from catchpan.contract.problems import Slug
from tests.scenario import MISSING, example, is_problem, season, serving

GOOD = example("putTogether")["items"]
COMMISSIONING = example("addCommissioning")
UNSOUND = {"material": {"name": "Weighs less than nothing", "bag": {"value": -1, "unit": "lb"}}}


@pytest.fixture
def web(own_place):
    with serving(own_place) as made:
        yield made


def put(web, items, path="/v1/bulk", **options):
    return web.send("POST", path, {"items": items}, **options)


def outcomes(web, items, path="/v1/bulk"):
    return [one["outcome"] for one in web.made("POST", path, {"items": items})["items"]]


def listed(web, path):
    return {one["name"]: one for one in web.made("GET", f"/v1/{path}?limit=200")["items"]}


def machine(name="AH-31", branch="South yard", kind="Stand-on 60 (invented)", **more):
    return {"machine": {"name": name, "branch": branch, "machine_kind": kind} | more}


def test_what_stands_earlier_in_a_call_is_there_for_what_follows(web):
    answer = web.made("POST", "/v1/bulk", {"items": GOOD})["items"]
    assert [one["outcome"] for one in answer] == ["added"] * len(GOOD)
    made, yard = listed(web, "machines")["AH-21"], listed(web, "branches")["South yard"]
    assert (made["branch"], made["id"]) == (yard["id"], answer[3]["id"])
    kept = web.made("GET", f"/v1/machines/{made['id']}/commissionings/1")
    assert kept["record"]["by"] == COMMISSIONING["by"]


def test_a_call_is_one_position_of_the_feed_which_tells_what_single_writes_tell(web):
    before = web.made("GET", "/v1/changes?limit=200")["complete_through"]
    web.made("POST", "/v1/bulk", {"items": GOOD})
    page = web.made("GET", "/v1/changes?limit=200")
    told = [one for one in page["items"] if one["position"] > before]
    assert {one["position"] for one in told} == {before + 1}
    assert [(one["kind"], one["event"]) for one in told] == [
        ("material", "added"), ("machine_kind", "added"), ("branch", "added"), ("machine", "added"),
        ("commissioning", "added"),
    ]  # fmt: skip


def test_the_same_again_changes_nothing(web):
    outcomes(web, GOOD)
    stored = web.dump()
    for path in ("/v1/bulk", "/v1/bulk?dry_run=true"):
        assert outcomes(web, GOOD, path) == ["unchanged"] * len(GOOD)
        assert web.dump() == stored


def test_what_differs_is_replaced_as_by_its_single_write(web):
    outcomes(web, GOOD)
    outcomes(web, [{"branch": {"name": "East yard"}}])
    assert outcomes(web, [machine("AH-21", "East yard", note="moved")]) == ["changed"]
    moved = listed(web, "machines")["AH-21"]
    assert (moved["version"], moved["note"], moved["serial"]) == (2, "moved", "")
    assert moved["branch"] == listed(web, "branches")["East yard"]["id"]
    events = [one["event"] for one in web.made("GET", "/v1/changes?limit=200")["items"]]
    assert events[-2:] == ["moved_away", "replaced"]


def test_what_a_machine_holds_moves_with_it(web):
    ours = season(web, in_use=True)
    there = web.made("POST", "/v1/bulk", {"items": [{"branch": {"name": "East yard"}}]})["items"][0]["id"]
    known = web.made("GET", f"/v1/machines/{ours.machine}")
    outcomes(web, [{"id": ours.machine} | machine(known["name"], "East yard", ours.kind)])
    exceptions = web.made("GET", f"/v1/manifest?branch={there}")
    assert ours.correction in str(exceptions)


def test_a_name_is_free_once_an_earlier_item_gave_it_up(web):
    first, second = (web.made("POST", "/v1/branches", {"name": name})["id"] for name in ("One", "Two"))
    items = [{"id": first, "branch": {"name": "Three"}}, {"id": second, "branch": {"name": "One"}}]
    assert outcomes(web, [*items, {"branch": {"name": "Two"}}]) == ["changed", "changed", "added"]
    assert listed(web, "branches")["One"]["id"] == second


BAD = [
    (UNSOUND, "/items/1/material/bag", "bad_bag", Slug.NOT_COMPUTABLE),
    ({}, "/items/1", "misformed", Slug.NOT_COMPUTABLE),
    (GOOD[0] | GOOD[1], "/items/1", "misformed", Slug.NOT_COMPUTABLE),
    ({"version": 1} | GOOD[4], "/items/1", "misformed", Slug.NOT_COMPUTABLE),
    (machine(branch="Nowhere"), "/items/1/machine/branch", "no_such", Slug.UNKNOWN_REFERENCE),
    (machine(branch="Yard", kind=MISSING), "/items/1/machine/machine_kind", "no_such", Slug.UNKNOWN_REFERENCE),
    ({"id": MISSING, "branch": {"name": "x"}}, "/items/1/id", "no_such", Slug.UNKNOWN_REFERENCE),
    ({"version": 1, "branch": {"name": "x"}}, "/items/1/branch/name", "no_such", Slug.UNKNOWN_REFERENCE),
    ({"version": 7, "branch": {"name": "Yard"}}, "/items/1/version", "stale", Slug.CONFLICT),
    ({"branch": {"name": "New"}}, "/items/1/branch/name", "in_use", Slug.CONFLICT),
    ({"commissioning": {"machine": "AH-99", "record": COMMISSIONING}}, "/items/1/commissioning/machine", "no_such",
     Slug.UNKNOWN_REFERENCE),
]  # fmt: skip


@pytest.mark.parametrize(("item", "pointer", "code", "slug"), BAD)
def test_one_bad_item_leaves_everything_as_it_was_or_is_left_out_alone(web, item, pointer, code, slug):
    web.made("POST", "/v1/branches", {"name": "Yard"})
    items, stored = [{"branch": {"name": "New"}}, item, {"branch": {"name": "Newer"}}], web.dump()
    for path in ("/v1/bulk?dry_run=true", "/v1/bulk"):
        found = is_problem(put(web, items, path), slug)
        assert [(one.pointer, one.code) for one in found.errors] == [(pointer, code)]
        assert web.dump() == stored
    dry = web.made("POST", "/v1/bulk/items?dry_run=true", {"items": items})["items"]
    assert web.dump() == stored
    each = web.made("POST", "/v1/bulk/items", {"items": items})["items"]
    assert [one["result"] and one["result"]["outcome"] for one in each] == ["added", None, "added"]
    assert each[1]["problem"]["type"] == f"/problems/{slug.value}"
    assert [one["pointer"] for one in each[1]["problem"]["errors"]] == [pointer.removeprefix("/items/1")]
    assert [one["problem"] for one in dry] == [one["problem"] for one in each] or code == "in_use"
    assert {"New", "Newer", "Yard"} <= set(listed(web, "branches"))


def test_all_that_is_wrong_is_told_at_once(web):
    items = [{"branch": {"name": f"Yard {n}"}} for n in range(50)]
    items[17], items[31] = UNSOUND, machine(branch="Nowhere")
    found = is_problem(put(web, items, "/v1/bulk?dry_run=true"), Slug.NOT_COMPUTABLE)
    assert [one.pointer for one in found.errors] == ["/items/17/material/bag", "/items/31/machine/branch"]
    assert found.detail.startswith("2 of 50 items")


@pytest.mark.parametrize("path", ["/v1/bulk", "/v1/bulk/items"])
def test_the_same_request_under_its_key_has_one_effect_and_one_answer(web, path):
    first = put(web, GOOD, path, Idempotency_Key="once")
    stored = web.dump()
    again = put(web, GOOD, path, Idempotency_Key="once")
    assert (again.status_code, again.content) == (first.status_code, first.content)
    assert web.dump() == stored
    is_problem(put(web, GOOD[:1], path, Idempotency_Key="once"), Slug.KEY_REUSED)


@pytest.mark.parametrize("path", ["/v1/bulk", "/v1/bulk/items"])
def test_who_may_not_do_the_single_writes_may_not_do_them_together(web, path):
    outcomes(web, [*GOOD[:4], machine("AH-41", web.branch)])
    for role in ("reader", "branch"):
        web.made("GET", "/v1/organisation", key=role)  # its use is noted once
    stored = web.dump()
    for key, item in (("reader", GOOD[4]), ("branch", GOOD[0]), ("branch", GOOD[3]), ("reader", GOOD[0])):
        is_problem(put(web, [item], path, key=key), Slug.NOT_ALLOWED)
    is_problem(put(web, [], path, key="reader"), Slug.NOT_ALLOWED)
    assert web.dump() == stored
    assert put(web, GOOD, path, key="calibrator").is_success


def test_a_branch_records_what_it_finds_on_its_own_machines_alone(web):
    outcomes(web, [*GOOD[:4], machine("AH-41", web.branch)])
    own, other = ({"commissioning": {"machine": name, "record": COMMISSIONING}} for name in ("AH-41", "AH-21"))
    assert put(web, [own], key="branch").is_success
    is_problem(put(web, [own, other], key="branch"), Slug.UNKNOWN_REFERENCE)


def test_what_is_another_organisations_is_not_there(web):
    theirs = web.made("POST", "/v1/bulk", {"items": GOOD}, key="other owner")["items"]
    stored = web.dump()
    for item in (
        machine(branch="South yard"), machine(branch=theirs[2]["id"]), {"id": theirs[2]["id"], "branch": {"name": "x"}},
        {"commissioning": {"machine": "AH-21", "record": COMMISSIONING}},
    ):  # fmt: skip
        is_problem(put(web, [item]), Slug.UNKNOWN_REFERENCE)
    assert web.dump() == stored
    assert outcomes(web, GOOD) == ["added"] * len(GOOD)


def test_no_more_than_the_document_allows_goes_in(web):
    item = {"branch": {"name": "x"}}
    assert is_problem(put(web, [item] * 20_001), Slug.UNREADABLE).errors[0].pointer == "/items"
    note = {"branch": {"name": "x", "note": "y" * 2000}}
    assert put(web, [note] * 3000, "/v1/bulk/items").is_success  # more than other operations take
    is_problem(web.send("POST", "/v1/bulk", b" " * 34_000_000), Slug.TOO_LARGE)
