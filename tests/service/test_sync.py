"""The feed over HTTP: what it promises, what it refuses, and what a branch hears of."""

import asyncio
import base64
import time
from uuid import UUID

import httpx
import msgspec
import pytest

from catchpan.contract.sync import Exceptions, FeedPage, Head, Manifest, Target
from catchpan.digest import canonical, digest
from catchpan.manifests import Held, Unsafe, documents
from catchpan_service.store import feed, keys
from catchpan_service.store.database import Order
from catchpan_service.store.writes import local_owner
from tests.scenario import MISSING, example, season, serving
from tests.sdk.signatures import verifies


@pytest.fixture
def web(tmp_path):
    with serving(tmp_path) as made:
        yield made


def slug(answer):
    return answer.json()["type"].removeprefix("/problems/")


def release(web, ours, number=1, **provisionally):
    how = "release-provisionally" if provisionally else "release"
    path = f"/v1/profiles/{ours.profile}/revisions/{number}/{how}"
    return web.made("POST", path, example("releaseRevision") | provisionally, If_Match="*")


def draft(web, ours, note):
    body = example("addRevision") | {"note": note}
    body["content"] = body["content"] | {"note": note}
    return web.made("POST", f"/v1/profiles/{ours.profile}/revisions", body)["number"]


def walk(web, after=None, *, limit=200, key="owner", branch=None):
    """Every change after a cursor, page by page, and the cursor at the end."""
    items = []
    while True:
        query = f"/v1/changes?limit={limit}" + (f"&after={after}" if after else "")
        page = web.made("GET", query + (f"&branch={branch}" if branch else ""), key=key)
        items += page["items"]
        after = page["next"]
        if not page["more"]:
            return items, page


def applied(manifest, exceptions, items):
    """The entries of a manifest and its exceptions after changes, from the changes alone."""
    entries = {one["profile"]: one for one in manifest["profiles"]}
    apart = {(one["target"], one["id"], one["entry"]["profile"]): one for one in exceptions["holdings"]}
    unsafe = list(exceptions["unsafe"])
    for item in items:
        if item["kind"] == "revision" and item["event"] == "withdrawn_unsafe":
            profile, number = item["id"].split("/")
            unsafe.append({"profile": profile, "number": int(number), "digest": item["digest"]})
        if item["holding"] is None:
            continue
        told = item["holding"]
        place = (told["target"], told["id"], told["profile"])
        if told["target"] == "organisation":
            entries.pop(told["profile"], None)
            entries |= {} if told["entry"] is None else {told["profile"]: told["entry"]}
        else:
            apart.pop(place, None)
            if told["entry"] is not None:
                apart[place] = {"target": told["target"], "id": told["id"], "entry": told["entry"]}
    return (
        {"format": 1, "profiles": [entries[one] for one in sorted(entries)]},
        {
            "format": 1,
            "holdings": [apart[one] for one in sorted(apart)],
            "unsafe": sorted(unsafe, key=lambda one: (one["profile"], one["number"])),
        },
    )


def busy_season(web):
    """Releases, withdrawals, and a provisional revision at one branch; the cursors between them."""
    one, other = season(web, name="one "), season(web, name="other ")
    places = []

    def look():
        places.append(walk(web)[1]["next"])

    look()
    release(web, one)
    look()
    release(web, other, branch=web.branch, days=3)
    draft(web, one, "better")
    look()
    release(web, one, 2)
    release(web, other)
    look()
    web.made("POST", f"/v1/profiles/{one.profile}/revisions/2/withdraw", example("withdrawRevision"), If_Match="*")
    look()
    return one, other, places


# --- what the feed promises


def test_changes_are_ordered_unique_and_without_a_gap(web):
    busy_season(web)
    items, last = walk(web, limit=3)
    places = [(item["position"], item["n"]) for item in items]
    assert places == sorted(set(places))
    assert sorted({position for position, _ in places}) == list(range(1, last["complete_through"] + 1))


@pytest.mark.parametrize("limit", [1, 2, 7])
def test_pages_of_any_size_tell_the_same_and_say_up_to_where_they_are_whole(web, limit):
    busy_season(web)
    everything, _ = walk(web)
    seen, after = [], None
    while True:
        page = web.made("GET", f"/v1/changes?limit={limit}" + (f"&after={after}" if after else ""))
        seen += page["items"]
        after = page["next"]
        whole = [item for item in everything if item["position"] <= page["complete_through"]]
        assert seen[: len(whole)] == whole
        if not page["more"]:
            break
    assert seen == everything


def test_a_manifest_and_the_changes_after_it_are_the_later_manifest(web):
    *_, places = busy_season(web)
    positions = [walk(web, cursor)[0] for cursor in places]
    last = web.made("GET", "/v1/manifest")
    for items in positions:
        before = items[0]["position"] - 1 if items else last["position"]
        then = web.made("GET", f"/v1/manifest?at={before}")
        manifest, exceptions = applied(then["manifest"], then["exceptions"], items)
        assert manifest == last["manifest"]
        assert exceptions == last["exceptions"]


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


def test_two_processes_sign_the_same_bytes_all_day(tmp_path, clock):
    with serving(tmp_path, clock=clock) as web:
        busy_season(web)
        secret = web.keys["owner"]
        first = web.send("GET", "/v1/head").content
        clock.advance(hours=17)
        assert web.send("GET", "/v1/head").content == first
    with serving(tmp_path, clock=clock, found=False) as again:
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


def test_a_feed_with_contents_brings_those_that_began(web):
    busy_season(web)
    page = web.made("GET", "/v1/changes?limit=200&contents=true")
    for item in page["items"]:
        began = item["holding"] is not None and item["holding"]["entry"] is not None
        assert (item["content"] is not None) == began
        if began:
            assert digest(canonical(item["content"])) == item["digest"]
    assert any(item["content"] for item in page["items"])


# --- polling


def test_nothing_new_is_304_only_where_the_caller_says_what_it_holds(web):
    busy_season(web)
    _, page = walk(web)
    path = f"/v1/changes?after={page['next']}"
    answer = web.send("GET", path, If_None_Match=f'"{page["next"]}"')
    assert (answer.status_code, answer.content) == (304, b"")
    assert len(str(answer.headers).encode()) <= 400
    plain = web.made("GET", path)
    assert (plain["items"], plain["next"], plain["more"]) == ([], page["next"], False)
    web.made("POST", "/v1/materials", {"name": "something new"})
    answer = web.send("GET", path, If_None_Match=f'"{page["next"]}"')
    assert (answer.status_code, len(answer.json()["items"])) == (200, 1)


def poll(web, path):
    transport = httpx.ASGITransport(web.app, raise_app_exceptions=False)
    headers = {"authorization": f"Bearer {web.keys['owner']}"}

    async def run():
        async with httpx.AsyncClient(transport=transport, base_url="http://here", headers=headers) as http:
            started = time.monotonic()
            waiting = [asyncio.create_task(http.get(path)) for _ in range(200)]
            await asyncio.sleep(0.3)
            assert not any(task.done() for task in waiting)
            made = await http.post("/v1/materials", json={"name": "while they wait"})
            answers = await asyncio.gather(*waiting)
            return made, answers, time.monotonic() - started

    return asyncio.run(run())


def test_two_hundred_who_wait_are_answered_when_something_changes(web):
    _, page = walk(web)
    made, answers, took = poll(web, f"/v1/changes?after={page['next']}&wait=40")
    assert made.status_code == 201
    assert {answer.status_code for answer in answers} == {200}
    assert {len(answer.json()["items"]) for answer in answers} == {1}
    assert took < 30


def test_who_waits_in_vain_is_told_nothing_new(web):
    _, page = walk(web)
    started = time.monotonic()
    assert web.made("GET", f"/v1/changes?after={page['next']}&wait=0.3")["items"] == []
    assert time.monotonic() - started >= 0.3


# --- cursors


def tampered(cursor):
    raw = bytearray(base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)))
    for index in range(len(raw)):
        altered = bytearray(raw)
        altered[index] ^= 1
        yield base64.urlsafe_b64encode(bytes(altered)).decode().rstrip("=")


def test_a_cursor_that_was_altered_cut_or_made_up_is_refused(web):
    _, page = walk(web)
    for cursor in [*tampered(page["next"]), page["next"][:-4], page["next"] + "AAAA", "1.5.0", "AAAA"]:
        answer = web.send("GET", f"/v1/changes?after={cursor}")
        assert (answer.status_code, slug(answer)) == (422, "unknown-reference")


def test_a_cursor_belongs_to_one_organisation_and_one_scope(web):
    ours = season(web)
    _, page = walk(web)
    _, branch = walk(web, key="branch")
    for cursor, options in (
        (page["next"], {"key": "other owner"}),
        (page["next"], {"key": "branch"}),
        (branch["next"], {}),
    ):
        answer = web.send("GET", f"/v1/changes?after={cursor}", **options)
        assert (answer.status_code, slug(answer)) == (422, "unknown-reference")
    answer = web.send("GET", f"/v1/changes?after={branch['next']}&branch={ours.branch}")
    assert answer.status_code == 422
    assert web.send("GET", f"/v1/changes?after={branch['next']}&branch={web.branch}").status_code == 200


def database_of(web):
    told = web.made("GET", "/v1/organisation")
    database = web.app.state.database
    return database, Order(local_owner(UUID(told["id"]), told["name"], "us"), "test")


def test_changes_that_were_put_away_are_gone_and_a_snapshot_goes_on(web):
    _, _, places = busy_season(web)
    database, order = database_of(web)
    _, before = walk(web)
    manifest = web.made("GET", "/v1/manifest")
    database.write_now(feed.put_away, order, before["complete_through"] - 1)
    for cursor in (None, *places[:-2]):
        answer = web.send("GET", "/v1/changes" + (f"?after={cursor}" if cursor else ""))
        assert (answer.status_code, slug(answer)) == (410, "gone")
        assert "/v1/snapshot" in answer.headers["link"]
    assert walk(web, before["next"])[0] == []
    assert {item["position"] for item in walk(web, places[-2])[0]} == {before["complete_through"]}
    page = web.made("GET", "/v1/snapshot")
    held = sorted((item["entry"] for item in page["items"]), key=lambda one: one["profile"])
    assert held == manifest["manifest"]["profiles"]
    web.made("POST", "/v1/materials", {"name": "afterwards"})
    assert [item["kind"] for item in walk(web, page["cursor"])[0]] == ["material"]


def test_a_restored_database_has_another_epoch_and_its_old_cursors_are_gone(web):
    busy_season(web)
    _, before = walk(web)
    database, order = database_of(web)
    database.write_now(feed.raise_epoch, order)
    answer = web.send("GET", f"/v1/changes?after={before['next']}")
    assert (answer.status_code, slug(answer)) == (410, "gone")
    assert web.made("GET", "/v1/head")["head"]["epoch"] == 2
    assert walk(web)[1]["epoch"] == 2


# --- which branch holds what


def report(web, branch, at=None, **changed):
    told = web.made("GET", f"/v1/manifest?branch={branch}" + ("" if at is None else f"&at={at}"))
    said = {
        "epoch": told["epoch"],
        "position": told["position"],
        "manifest": told["manifest_digest"],
        "exceptions": told["exceptions_digest"],
    }
    return web.made("POST", f"/v1/branches/{branch}/replica", said | changed)


def standing(web, branch):
    rows = {one["branch"]: one for one in web.made("GET", "/v1/sync/status")["branches"]}
    return rows[branch]


def test_the_status_says_which_branch_is_in_step_behind_different_or_silent(web):
    ours = season(web)
    assert standing(web, web.branch)["standing"] == "not_heard_of"
    release(web, ours)
    report(web, web.branch)
    assert standing(web, web.branch)["standing"] == "in_step"
    draft(web, ours, "changes nothing that is held")
    assert standing(web, web.branch)["standing"] == "in_step"
    release(web, ours, 2)
    told = standing(web, web.branch)
    assert (told["standing"], told["manifest"] != told["wanted_manifest"]) == ("behind", True)
    assert told["behind_since"] is not None
    report(web, web.branch, manifest="sha256:" + "0" * 64)
    assert standing(web, web.branch)["standing"] == "different"
    report(web, web.branch, position=10_000)
    assert "later state" in standing(web, web.branch)["why"]
    report(web, web.branch)
    database, order = database_of(web)
    database.write_now(feed.raise_epoch, order)
    assert "restored" in standing(web, web.branch)["why"]
    assert standing(web, ours.branch)["standing"] == "not_heard_of"


def test_a_branch_reports_for_itself_alone(web):
    ours = season(web)
    said = example("reportReplica")
    assert web.send("POST", f"/v1/branches/{web.branch}/replica", said, key="branch").status_code == 200
    for branch in (ours.branch, MISSING):
        assert web.send("POST", f"/v1/branches/{branch}/replica", said, key="branch").status_code == 404


# --- keys


def test_a_key_made_over_the_network_works_by_its_secret_which_is_never_sent(web):
    secret = "catchpan-" + "x" * 43
    body = example("addKey") | {"role": "branch", "branch": web.branch, "hash": keys.hash_of(secret)}
    made = web.made("POST", "/v1/keys", body)
    web.keys["made"] = secret
    assert web.made("GET", "/v1/organisation", key="made")["branch"] == web.branch
    heard, _ = walk(web, key="made")
    assert made["id"] in {item["id"] for item in heard}
    web.made("POST", f"/v1/keys/{made['id']}/revoke")
    assert [item["event"] for item in walk(web, branch=web.branch)[0] if item["kind"] == "key"][-1] == "revoked"


@pytest.mark.parametrize(("role", "branch"), [("branch", None), ("reader", "here"), ("branch", MISSING)])
def test_a_key_whose_role_and_branch_do_not_go_together_is_refused(web, role, branch):
    body = example("addKey") | {"role": role, "branch": web.branch if branch == "here" else branch}
    answer = web.send("POST", "/v1/keys", body)
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (422, "/branch")


def test_the_feed_decodes_as_the_contract_says(web):
    busy_season(web)
    page = msgspec.json.decode(web.send("GET", "/v1/changes?contents=true&limit=200").content, type=FeedPage)
    assert page.items
