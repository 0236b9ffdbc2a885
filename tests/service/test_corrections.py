"""A factor for one machine or one lot, kept beside a revision, over HTTP and in a branch's copy."""

import pytest

from catchpan.replica import Replica
from tests.releases import release, slug, walk, withdraw
from tests.scenario import example, operations, season, serving
from tests.sdk.replica.shed import client_of


@pytest.fixture
def web(own_place, clock):
    with serving(own_place, clock=clock) as made:
        yield made


@pytest.fixture
def ours(web):
    return season(web, in_use=True)


def body(ours, **altered):
    return operations()["addCorrection"].body(ours) | {"machine": ours.machine, "lot": None} | altered


def settings(web, ours):
    return web.made("GET", f"/v1/machines/{ours.machine}/settings?profile={ours.used}")


def in_force(web, query=""):
    exceptions = web.made("GET", f"/v1/manifest{query}")["exceptions"]
    return [one["id"] for one in exceptions.get("corrections", [])]


def test_a_corrected_machine_opens_further_for_the_same_rate(web, ours):
    corrected = settings(web, ours)
    assert corrected["correction"] == 0.972
    assert "corrected" in {one["code"] for one in corrected["findings"]}
    web.made("POST", f"/v1/corrections/{ours.correction}/end")
    plain = settings(web, ours)
    assert plain["correction"] == 1.0
    assert plain["works"][0]["opening"]["value"] < corrected["works"][0]["opening"]["value"]
    assert corrected["gate_table"]["flows"]["values"][-1] == pytest.approx(
        0.972 * plain["gate_table"]["flows"]["values"][-1]
    )


def test_a_correction_is_over_on_its_day(web, ours, clock):
    clock.advance(days=100)
    assert settings(web, ours)["correction"] == 1.0


@pytest.mark.parametrize(
    ("altered", "pointer"),
    [
        ({"factor": 0.89}, "/factor"),
        ({"factor": 1.11}, "/factor"),
        ({"until": "2031-04-07T06:00:00Z"}, "/until"),
        ({"lot": "L2041"}, "/machine"),
        ({"machine": None}, "/machine"),
        ({"standard_uncertainty": {"value": -1, "unit": "%"}}, "/standard_uncertainty"),
    ],
)
def test_what_no_correction_can_be_is_refused(web, ours, altered, pointer):
    answer = web.send("POST", "/v1/corrections", body(ours) | altered)
    assert (answer.status_code, slug(answer)) == (422, "not-computable")
    assert answer.json()["errors"][0]["pointer"] == pointer
    if pointer == "/factor":
        assert "calibrate again" in answer.json()["detail"]


def test_only_a_revision_in_use_is_corrected_and_on_machines_of_its_kind(web, ours):
    drafted = web.send("POST", "/v1/corrections", body(ours, profile=ours.profile))
    assert (drafted.status_code, slug(drafted)) == (409, "conflict")
    other = {"name": "another kind", "branch": ours.branch, "machine_kind": ours.spare_kind}
    machine = web.made("POST", "/v1/machines", other)["id"]
    foreign = web.send("POST", "/v1/corrections", body(ours, machine=machine))
    assert (foreign.status_code, foreign.json()["errors"][0]["pointer"]) == (422, "/machine")


def test_a_new_correction_takes_the_place_of_the_one_before_and_a_lot_has_its_own(web, ours):
    again = web.made("POST", "/v1/corrections", body(ours, factor=0.95))["id"]
    lot = web.made("POST", "/v1/corrections", body(ours, machine=None, lot="L7"))["id"]
    assert set(in_force(web)) == {again, lot}
    listed = {one["id"]: one["ended"] for one in web.made("GET", "/v1/corrections")["items"]}
    assert listed == {ours.correction: "2031-04-07T06:00:00Z", again: None, lot: None}
    assert slug(web.send("POST", f"/v1/corrections/{ours.correction}/end")) == "conflict"


def test_corrections_end_with_their_revision(web, ours):
    used = ours.__class__(**vars(ours) | {"profile": ours.used})
    web.made("POST", f"/v1/profiles/{ours.used}/revisions", example("addRevision"))
    release(web, used, 2)
    assert in_force(web) == []
    web.made("POST", "/v1/corrections", body(ours, number=2))
    withdraw(web, used, 2)
    assert in_force(web) == []


def test_a_branch_hears_of_its_machines_and_of_lots_and_of_no_others(web, ours):
    lot = web.made("POST", "/v1/corrections", body(ours, machine=None, lot="L7"))["id"]
    assert in_force(web, f"?branch={ours.branch}") == sorted([ours.correction, lot])
    assert in_force(web, f"?branch={web.branch}") == [lot]
    assert [one["id"] for one in web.made("GET", "/v1/corrections", key="branch")["items"]] == [lot]


def test_a_machine_takes_its_correction_along_to_another_branch(web, ours):
    moved = operations()["replaceMachine"].body(ours) | {"branch": web.branch}
    web.made("PUT", f"/v1/machines/{ours.machine}", moved, If_Match="*")
    assert in_force(web, f"?branch={ours.branch}") == []
    assert in_force(web, f"?branch={web.branch}") == [ours.correction]
    assert [one["id"] for one in web.made("GET", "/v1/corrections")["items"]] == [ours.correction]
    assert settings(web, ours)["correction"] == 0.972


def test_the_feed_tells_a_correction_that_begins_and_one_that_ends(web, ours):
    _, page = walk(web)
    web.made("POST", f"/v1/corrections/{ours.correction}/end")
    again = web.made("POST", "/v1/corrections", body(ours))
    items, _ = walk(web, page["next"])
    told = [(one["event"], one["id"], one["correction"]) for one in items if one["kind"] == "correction"]
    assert told[0] == ("ended", ours.correction, None)
    assert told[1][:2] == ("began", again["id"])
    assert told[1][2] == {name: value for name, value in again.items() if name != "ended"}


def test_a_copy_holds_corrections_by_changes_by_snapshot_and_by_bundle(web, ours, tmp_path, clock):
    with (
        client_of(web, "owner") as client,
        Replica(tmp_path / "old", clock=clock) as old,
        Replica(tmp_path / "new", clock=clock) as new,
        Replica(tmp_path / "carried", clock=clock) as carried,
    ):
        old.pull(client, branch=ours.branch)
        web.made("POST", f"/v1/corrections/{ours.correction}/end")
        web.made("POST", "/v1/corrections", body(ours, factor=0.95))
        web.made("POST", "/v1/corrections", body(ours, machine=None, lot="L7"))
        wanted = web.made("GET", f"/v1/manifest?branch={ours.branch}")["exceptions_digest"]
        by_changes, by_snapshot = old.pull(client), new.pull(client, branch=ours.branch)
        new.export(tmp_path / "bundle")
        by_bundle = carried.import_(tmp_path / "bundle")
        assert {one.exceptions for one in (by_changes, by_snapshot, by_bundle, old.verify())} == {wanted}
        for copy in (old, new, carried):
            notes = copy.show(ours.used).notes
            assert [note for note in notes if "corrected" in note] == [
                "lot L7: flow corrected by 0.972 until 2031-06-30",
                f"{operations()['addMachine'].example['name']}: flow corrected by 0.95 until 2031-06-30",
            ]
