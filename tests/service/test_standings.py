"""Which branch holds what, and the keys by which branches ask."""

import pytest

from catchpan_service.store import feed, keys
from tests.releases import draft, release, walk, write
from tests.scenario import MISSING, example, season, serving


@pytest.fixture
def web(own_place):
    with serving(own_place) as made:
        yield made


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
    write(web, feed.raise_epoch)
    told = standing(web, web.branch)
    assert (told["standing"], "has to pull" in told["why"]) == ("behind", True)
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
