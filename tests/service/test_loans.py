"""A borrowed curve in a profile: for one branch and some days, and never for everybody by itself."""

import pytest

from tests.releases import slug
from tests.scenario import example, season, serving


@pytest.fixture
def web(own_place, clock):
    with serving(own_place, clock=clock) as made:
        yield made


@pytest.fixture
def ours(web):
    return season(web)


def borrowed(**altered):
    content = example("addRevision")["content"]
    lent = example("computeProvisionalCurve")
    kept = {name: content[name] for name in ("format", "passes", "work_rates")}
    return {"content": kept | {"loan": lent} | altered}


def saved(web, ours, **altered):
    made = web.made("POST", f"/v1/profiles/{ours.profile}/revisions", borrowed(**altered))
    return made, f"/v1/profiles/{ours.profile}/revisions/{made['number']}"


def test_the_curve_is_the_borrowed_one_as_the_check_catches_correct_it(web, ours):
    made, path = saved(web, ours)
    told = web.made("POST", "/v1/compute/provisional-curve", example("computeProvisionalCurve"))
    assert web.made("GET", f"{path}/content")["curve"] == told["curve"]
    assert ("curve_borrowed", "stop") in {(one["code"], one["severity"]) for one in made["findings"]}
    assert "no_curve" not in {one["code"] for one in made["findings"]}


def test_it_serves_one_branch_for_days_and_everybody_only_by_an_owners_reason(web, ours):
    _, path = saved(web, ours)
    body = {"branch": ours.branch, "days": 7, "reason": "new maker's bag"}
    answer = web.send("POST", f"{path}/release", {"reason": "no time"}, If_Match="*")
    assert (answer.status_code, slug(answer)) == (409, "conflict")
    assert "curve_borrowed" in answer.text
    provisional = web.made("POST", f"{path}/release-provisionally", body, key="calibrator", If_Match="*")
    assert (provisional["state"], provisional["override"]) == ("provisional", None)
    whole = {"reason": "no time", "override": "the season ends tomorrow"}
    assert web.made("POST", f"{path}/release", whole, If_Match="*")["state"] == "released"


@pytest.mark.parametrize(
    ("altered", "pointer"),
    [
        ({"calibration": example("addRevision")["content"]["calibration"]}, "/content/loan"),
        ({"curve": example("computeOpening")["curve"]}, "/content/curve"),
        (
            {
                "loan": example("computeProvisionalCurve")
                | {"catches": example("computeProvisionalCurve")["catches"][:1]}
            },
            "/content/loan/catches",
        ),
    ],
)
def test_what_no_loan_can_be_is_refused_by_its_place(web, ours, altered, pointer):
    answer = web.send("POST", f"/v1/profiles/{ours.profile}/revisions", borrowed(**altered))
    assert (answer.status_code, slug(answer)) == (422, "not-computable")
    assert answer.json()["errors"][0]["pointer"].startswith(pointer)
