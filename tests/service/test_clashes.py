"""Who comes second is shown what both began from, what is there, and what was sent; nothing is overwritten."""

import random

import pytest

from tests.scenario import example, operations, season, serving


@pytest.fixture(scope="module")
def web(each_place):
    with serving(each_place) as made:
        yield made


def put(web, path, body, version):
    return web.send("PUT", path, body, If_Match=f'"{version}"')


def kept(body):
    """A material as it is kept: what has its usual value is left out."""
    return {name: value for name, value in body.items() if (name, value) != ("nature", "fertiliser")}


def test_a_clash_of_two_materials_names_the_members_that_differ(web):
    ours = season(web, name="two hands ")
    path, base = f"/v1/materials/{ours.material}", example("addMaterial", "two hands ")
    theirs = base | {"note": "theirs", "size_guide_number": 210}
    yours = base | {"note": "yours", "size_guide_number": 210}
    assert put(web, path, theirs, 1).status_code == 200
    answer = put(web, path, yours, 1)
    clash = answer.json()["clash"]
    assert answer.status_code == 412
    assert [clash["base"], clash["theirs"], clash["yours"]] == [kept(one) for one in (base, theirs, yours)]
    assert clash["members"] == [{"pointer": "/note", "base": base.get("note"), "theirs": "theirs", "yours": "yours"}]
    assert clash["on_the_ground"] == []


def test_a_clash_of_two_drafts_says_what_each_does_on_the_ground(web):
    ours = season(web, name="two drafts ")
    request = example("addRevision")

    def with_rate(value):
        works = [one | {"rate": {"value": value, "unit": "lb/1000ft2"}} for one in request["content"]["work_rates"]]
        return request | {"content": request["content"] | {"work_rates": works}}

    before = web.made("GET", ours.revision)["content"]
    assert put(web, ours.revision, with_rate(2.5), 1).status_code == 200
    clash = put(web, ours.revision, with_rate(3.0), 1).json()["clash"]
    assert clash["base"] == before
    assert clash["theirs"] == web.made("GET", ours.revision)["content"]
    assert clash["yours"]["work_rates"][0]["rate"]["value"] == 3.0
    assert "/work_rates" in {one["pointer"] for one in clash["members"]}
    told = [one for one in clash["on_the_ground"] if "opening for" in one["what"]]
    assert told
    assert all(one["theirs"] != one["yours"] for one in told)


def test_a_base_that_is_no_longer_known_is_null(web):
    ours = season(web, name="long ago ")
    path, base = f"/v1/branches/{ours.branch}", example("addBranch", "long ago ")
    put(web, path, base | {"note": "next"}, 1)
    for version in ('"7"', '"1", "9"'):
        answer = web.send("PUT", path, base, If_Match=version)
        assert answer.status_code == 412
        assert answer.json()["clash"]["base"] is None


def test_a_release_has_no_body_and_so_no_clash(web):
    ours = season(web, name="no body ")
    put(web, ours.revision, operations()["replaceRevision"].example, 1)
    answer = web.send("POST", f"{ours.revision}/release", {"reason": "x"}, If_Match='"1"')
    assert (answer.status_code, answer.json()["clash"]) == (412, None)


@pytest.mark.parametrize("runs", [4, pytest.param(300, marks=pytest.mark.long)])
def test_of_many_editors_none_loses_what_another_wrote(web, runs):
    """Each reads, thinks, and writes; who is refused sees exactly what it began from and what is there now."""
    draw = random.Random(runs)
    for run in range(runs):
        ours = season(web, name=f"{runs} editors {run} ")
        path, name = f"/v1/materials/{ours.material}", f"{runs} editors {run} "
        held = {editor: web.made("GET", path) for editor in range(draw.randint(2, 5))}
        written = []
        for step in range(50):
            editor = draw.choice(list(held))
            if draw.random() < 0.4:
                held[editor] = web.made("GET", path)
                continue
            read = held[editor]
            body = example("addMaterial", name) | {"note": f"{editor}/{step}"}
            answer = put(web, path, body, read["version"])
            now = web.made("GET", path)
            if answer.status_code == 200:
                written.append(body["note"])
                assert now["note"] == body["note"]
                held[editor] = now
            else:
                clash = answer.json()["clash"]
                assert clash["theirs"]["note"] == now["note"] == (written or [now["note"]])[-1]
                assert clash["base"].get("note", "") == read["note"]
                assert clash["yours"] == kept(body)
        assert web.made("GET", path)["version"] == len(written) + 1


def test_the_base_of_a_machine_that_moved_is_what_it_was_after_the_move(web):
    ours = season(web, name="moving ")
    body = operations()["replaceMachine"].body(ours, "moving ")
    path = f"/v1/machines/{ours.machine}"
    moved = body | {"branch": web.branch, "note": "moved"}
    web.made("PUT", path, moved, If_Match='"1"')
    web.made("PUT", path, moved | {"note": "theirs"}, If_Match='"2"')
    answer = web.send("PUT", path, moved | {"note": "yours"}, If_Match='"2"')
    assert answer.status_code == 412
    clash = answer.json()["clash"]
    assert [clash[one]["note"] for one in ("base", "theirs", "yours")] == ["moved", "theirs", "yours"]
