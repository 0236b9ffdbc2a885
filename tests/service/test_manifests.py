"""Manifests, signed heads and snapshots over HTTP, and what a branch sees of them."""

from uuid import UUID

import msgspec
import pytest

from catchpan.contract.sync import Entry, Exceptions, Head, Manifest, Target
from catchpan.digest import canonical, digest
from catchpan.manifests import Held, Unsafe, documents
from catchpan_service.store import holdings
from catchpan_service.store.holdings import Place
from catchpan_service.store.writes import Written
from tests.releases import busy_season, draft, release, walk, withdraw, write
from tests.scenario import example, season, serving
from tests.sdk.signatures import verifies


@pytest.fixture
def web(own_place):
    with serving(own_place) as made:
        yield made


def test_the_digests_are_of_the_bytes_that_were_sent(web):
    busy_season(web)
    for query in ("", f"?branch={web.branch}"):
        raw = web.send("GET", f"/v1/manifest{query}").content
        told = msgspec.json.decode(raw, type=dict[str, msgspec.Raw])
        for name, kind in (("manifest", Manifest), ("exceptions", Exceptions)):
            assert digest(bytes(told[name])) == msgspec.json.decode(told[f"{name}_digest"])
            assert canonical(msgspec.json.decode(told[name], type=kind)) == bytes(told[name])


def test_a_head_is_signed_and_names_the_digests_and_the_day_it_ends(web):
    busy_season(web)
    told = msgspec.json.decode(web.send("GET", "/v1/head").content, type=dict[str, msgspec.Raw])
    key = web.made("GET", "/v1/signing-keys")["items"][-1]["key"]
    assert msgspec.json.decode(told["key"]) == key
    assert verifies(key, msgspec.json.decode(told["signature"]), bytes(told["head"]))
    assert not verifies(key, msgspec.json.decode(told["signature"]), bytes(told["head"]) + b" ")
    head = msgspec.json.decode(told["head"], type=Head)
    manifest = web.made("GET", "/v1/manifest")
    assert (head.manifest, head.exceptions) == (manifest["manifest_digest"], manifest["exceptions_digest"])
    assert (head.scope, head.epoch, head.position) == ("organisation", 1, manifest["position"])
    assert (head.expires.hour, head.expires.minute, head.expires.microsecond) == (0, 0, 0)


def test_two_processes_sign_the_same_bytes_all_day(own_place, clock):
    with serving(own_place, clock=clock) as web:
        busy_season(web)
        secret = web.keys["owner"]
        first = web.send("GET", "/v1/head").content
        clock.advance(hours=17)
        assert web.send("GET", "/v1/head").content == first
    with serving(own_place, clock=clock, found=False) as again:
        assert again.send("GET", "/v1/head", key=secret).content == first
        clock.advance(hours=3)
        assert again.send("GET", "/v1/head", key=secret).content != first


def test_a_past_head_tells_what_was_held_then(web):
    busy_season(web)
    last = web.made("GET", "/v1/head")["head"]["position"]
    for position in range(last + 1):
        told = web.made("GET", f"/v1/head?at={position}")["head"]
        assert told["manifest"] == web.made("GET", f"/v1/manifest?at={position}")["manifest_digest"]
    answer = web.send("GET", f"/v1/head?at={last + 1}")
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (422, "/at")


def test_a_snapshot_is_every_holding_with_its_content_at_one_position(web):
    one, *_ = busy_season(web)
    number = draft(web, one, "for one yard")
    release(web, one, number, branch=web.branch, days=2)
    for branch in (None, web.branch):
        query = f"&branch={branch}" if branch else ""
        before = web.made("GET", f"/v1/manifest?{query[1:]}")
        page = web.made("GET", f"/v1/snapshot?limit=1{query}")
        items = page["items"]
        draft(web, one, f"meanwhile {query}")
        while page["next"]:
            page = web.made("GET", f"/v1/snapshot?limit=1&after={page['next']}{query}")
            items += page["items"]
        held = [Held(Target(i["target"]), i["id"], i["entry"]["profile"], canonical(i["entry"])) for i in items]
        unsafe = [Unsafe(**row) for row in page["unsafe"]]
        told = documents(held, unsafe, branch=branch)
        assert len(held) == 2
        assert digest(told.manifest) == before["manifest_digest"]
        assert digest(told.exceptions) == before["exceptions_digest"]
        assert page["position"] == before["position"]
        for item in items:
            assert digest(canonical(item["content"])) == item["entry"]["digest"]
        later, _ = walk(web, page["cursor"], branch=branch)
        assert all(item["position"] > page["position"] for item in later)


# --- a branch


def test_the_narrowest_holding_wins_in_the_manifest_of_its_branch_alone(web):
    ours = season(web)
    release(web, ours)
    number = draft(web, ours, "for one yard")
    release(web, ours, number, branch=web.branch, days=5)
    here = web.made("GET", f"/v1/manifest?branch={web.branch}")["manifest"]["profiles"]
    there = web.made("GET", f"/v1/manifest?branch={ours.branch}")["manifest"]["profiles"]
    everywhere = web.made("GET", "/v1/manifest")
    assert [(one["number"], one["state"]) for one in here] == [(2, "provisional")]
    assert here[0]["valid_until"] is not None
    assert [(one["number"], one["state"]) for one in there] == [(1, "released")]
    assert everywhere["manifest"]["profiles"] == there
    (apart,) = everywhere["exceptions"]["holdings"]
    assert (apart["target"], apart["id"], apart["entry"]["number"]) == ("branch", web.branch, 2)
    release(web, ours, number)
    same = [web.made("GET", f"/v1/manifest?branch={one}")["manifest_digest"] for one in (web.branch, ours.branch)]
    assert same[0] == same[1]


def hold(connection, organisation, stamp, machine, branch, entry):
    """One machine alone gets a revision."""
    place = Place(Target.MACHINE, UUID(machine), UUID(branch))
    return Written(None, (holdings.begin(connection, organisation, stamp, place, entry),))


def test_a_machine_takes_what_it_holds_alone_to_another_branch(web):
    ours = season(web)
    release(web, ours)
    number = draft(web, ours, "for one machine")
    (entry,) = web.made("GET", "/v1/manifest")["manifest"]["profiles"]
    made = web.made("GET", f"/v1/profiles/{ours.profile}/revisions/{number}")
    write(
        web,
        hold,
        ours.machine,
        ours.branch,
        msgspec.convert(entry | {"number": number, "digest": made["digest"]}, Entry),
    )

    def apart(branch):
        told = web.made("GET", f"/v1/manifest?branch={branch}")
        head = web.made("GET", f"/v1/head?branch={branch}")["head"]
        assert head["exceptions"] == told["exceptions_digest"]
        return [(one["target"], one["id"], one["entry"]["number"]) for one in told["exceptions"]["holdings"]]

    mine, (_, there), (_, here) = [("machine", ours.machine, number)], walk_to_end(web, ours.branch), walk_to_end(web)
    assert (apart(ours.branch), apart(web.branch)) == (mine, [])
    moved = example("addMachine") | {"branch": web.branch, "machine_kind": ours.kind}
    web.made("PUT", f"/v1/machines/{ours.machine}", moved, If_Match="*")
    assert (apart(ours.branch), apart(web.branch)) == ([], mine)
    assert holding_events(web, there, ours.branch) == ["ended"]
    assert holding_events(web, here, web.branch) == ["began"]


def walk_to_end(web, branch=None):
    items, page = walk(web, branch=branch or web.branch)
    return items, page["next"]


def holding_events(web, after, branch):
    return [item["event"] for item in walk(web, after, branch=branch)[0] if item["kind"] == "holding"]


def test_a_branch_hears_what_is_for_it_and_of_no_draft(web):
    one, *_ = busy_season(web)
    heard, _ = walk(web, key="branch")
    assert {item["kind"] for item in heard} <= {"holding", "revision", "branch", "key", "machine"}
    assert {item["event"] for item in heard if item["kind"] == "revision"} == {"withdrawn_unsafe"}
    elsewhere, _ = walk(web, branch=one.branch)
    provisional = [item for item in heard if item["holding"] and item["holding"]["target"] == "branch"]
    assert [item["event"] for item in provisional] == ["began", "ended"]
    assert not [item for item in elsewhere if item["holding"] and item["holding"]["target"] == "branch"]


def test_what_is_unsafe_reaches_every_branch_that_ever_held_it(web):
    one, *_ = busy_season(web)
    for branch in (web.branch, one.branch):
        told = web.made("GET", f"/v1/manifest?branch={branch}")
        assert [(row["profile"], row["number"]) for row in told["exceptions"]["unsafe"]] == [(one.profile, 2)]
        assert one.profile not in {row["profile"] for row in told["manifest"]["profiles"]}


def test_a_head_follows_every_change_of_what_is_held_or_unsafe(web):
    """What is remembered between two heads is never told for what came after."""
    ours = season(web, drafts=2)

    def told():
        head, manifest = web.made("GET", "/v1/head")["head"], web.made("GET", "/v1/manifest")
        assert (head["manifest"], head["exceptions"]) == (manifest["manifest_digest"], manifest["exceptions_digest"])
        return head["manifest"], head["exceptions"]

    seen = [told()]
    for change in (
        lambda: release(web, ours),
        lambda: release(web, ours, 2),
        lambda: withdraw(web, ours, 1),
        lambda: withdraw(web, ours, 2),
    ):
        change()
        seen.append(told())
    assert len(set(seen)) == len(seen)
    assert seen[-1][0] == seen[0][0]
