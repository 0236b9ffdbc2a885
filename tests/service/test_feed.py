"""The feed over HTTP: what it promises, what it refuses, and how it is waited for."""

import asyncio
import base64
import time
from uuid import UUID

import httpx
import msgspec
import pytest

from catchpan.contract.sync import FeedPage
from catchpan.digest import canonical, digest
from catchpan_service.store import cursors, feed
from tests.releases import busy_season, release, slug, walk, write
from tests.scenario import season, serving


@pytest.fixture
def web(own_place):
    with serving(own_place) as made:
        yield made


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


def test_a_feed_with_contents_brings_those_that_began(web):
    busy_season(web)
    page = web.made("GET", "/v1/changes?limit=200&contents=true")
    for item in page["items"]:
        began = item["holding"] is not None and item["holding"]["entry"] is not None
        assert (item["content"] is not None) == began
        if began:
            assert digest(canonical(item["content"])) == item["digest"]
    assert any(item["content"] for item in page["items"])


def test_the_feed_decodes_as_the_contract_says(web):
    busy_season(web)
    page = msgspec.json.decode(web.send("GET", "/v1/changes?contents=true&limit=200").content, type=FeedPage)
    assert page.items


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


def test_what_is_remembered_of_the_end_ends_with_the_next_write(web):
    busy_season(web)
    _, page = walk(web)
    path, held = f"/v1/changes?after={page['next']}", {"If_None_Match": f'"{page["next"]}"'}
    for _ in range(3):
        assert web.send("GET", path, **held).status_code == 304
    assert web.send("POST", "/v1/materials?dry_run=true", {"name": "only tried"}).status_code == 201
    assert web.send("GET", path, **held).status_code == 304
    assert web.send("GET", path).json()["items"] == []
    web.made("POST", "/v1/materials", {"name": "something new"})
    assert [one["kind"] for one in web.send("GET", path, **held).json()["items"]] == ["material"]
    last = walk(web)[1]["next"]
    again, held = f"/v1/changes?after={last}", {"If_None_Match": f'"{last}"'}
    for _ in range(2):
        assert web.send("GET", again, **held).status_code == 304
    write(web, feed.raise_epoch)
    assert web.send("GET", again, **held).status_code == 410


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


def test_a_snapshot_goes_on_only_from_its_own_cursors(web):
    for number in range(2):
        release(web, season(web, name=f"{number} "))
    page = web.made("GET", "/v1/snapshot?limit=1")
    _, feed_page = walk(web)
    organisation = UUID(web.made("GET", "/v1/organisation")["id"])
    forged = cursors.write(organisation, "snapshot/organisation", "1/1")
    for cursor in [*tampered(page["next"]), feed_page["next"], forged]:
        answer = web.send("GET", f"/v1/snapshot?after={cursor}")
        assert (answer.status_code, slug(answer)) == (422, "unknown-reference")
    assert web.send("GET", f"/v1/changes?after={page['next']}").status_code == 422
    assert web.send("GET", f"/v1/snapshot?after={page['next']}", key="branch").status_code == 422


def test_changes_that_were_put_away_are_gone_and_a_snapshot_goes_on(web):
    _, _, places = busy_season(web)
    _, before = walk(web)
    manifest = web.made("GET", "/v1/manifest")
    write(web, feed.put_away, before["complete_through"] - 1)
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
    write(web, feed.raise_epoch)
    answer = web.send("GET", f"/v1/changes?after={before['next']}")
    assert (answer.status_code, slug(answer)) == (410, "gone")
    assert web.made("GET", "/v1/head")["head"]["epoch"] == 2
    assert walk(web)[1]["epoch"] == 2
