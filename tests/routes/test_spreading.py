"""Throw, flight, edge and coverage: over HTTP, by both clients and on the command line, one answer."""

import asyncio
import json

import msgspec
import pytest

from catchpan import AsyncCatchpan, Catchpan
from catchpan_service.app import create_app
from catchpan_service.examples import spreading
from catchpan_service.routes.computations import COMPUTATIONS
from catchpan_service.settings import Settings
from tests.scenario import serving

THINGS = {
    thing.name: thing for thing in COMPUTATIONS if thing.name in ("throw", "flight", "overlap", "edge", "coverage")
}


@pytest.fixture(scope="module")
def web(tmp_path_factory):
    with serving(tmp_path_factory.mktemp("spreading")) as made:
        yield made


def asked(thing):
    return msgspec.convert(thing.example, thing.wire("Request"))


@pytest.mark.parametrize("name", THINGS)
def test_http_and_both_clients_give_one_answer(web, tmp_path, name):
    apps = [create_app(Settings(database=str(tmp_path / f"{one}.sqlite"), log_requests=False)) for one in "ab"]
    thing = THINGS[name]
    told = web.made("POST", f"/v1/compute/{name}?units=us", thing.example)
    with Catchpan.in_process(apps[0], units="us") as client:
        answer = getattr(client, name)(asked(thing))
        batch = getattr(client, thing.plural)(thing.wire("Batch")(items=[asked(thing)] * 2))

    async def ask():
        async with AsyncCatchpan.in_process(apps[1], units="us") as client:
            return await getattr(client, name)(asked(thing))

    assert msgspec.to_builtins(answer) == told
    assert asyncio.run(ask()) == answer
    assert [one.result for one in batch.items] == [answer] * 2


@pytest.mark.parametrize("name", THINGS)
def test_answers_come_in_the_asked_units(web, name):
    told = json.dumps(web.made("POST", f"/v1/compute/{name}?units=si", THINGS[name].example))
    assert '"unit": "m"' in told
    assert '"unit": "ft"' not in told


BOWTIE = {"x": {"values": [60, 85, 85, 60], "unit": "ft"}, "y": {"values": [50, 70, 50, 70], "unit": "ft"}}
BAD = [
    ("throw", {"observations": [{"impeller_speed": {"value": 300, "unit": "rpm"}}]}, "/observations"),
    ("throw", {"wanted_throws": {"values": [-1], "unit": "ft"}}, "/wanted_throws/values/0"),
    ("throw", {"impeller_speeds": {"values": [], "unit": "rpm"}}, "/impeller_speeds"),
    ("throw", {"throw_uncertainty": {"value": 0, "unit": "ft"}}, "/throw_uncertainty"),
    ("overlap", {"speed": None}, "/speed"),
    ("overlap", {"wind": {"value": -1, "unit": "mph"}}, "/wind"),
    ("overlap", {"wanted_spacing": {"value": 0, "unit": "ft"}}, "/wanted_spacing"),
    ("flight", {"size_guide_number": None}, "/diameters"),
    ("flight", {"size_guide_number": 5}, "/size_guide_number"),
    ("flight", {"release_speed": {"value": 10, "unit": "m/s"}}, "/release_speed"),
    ("flight", {"wanted_throw": {"value": 500, "unit": "ft"}}, "/wanted_throw"),
    ("edge", {"side": "left", "pass_spacing": {"value": 1, "unit": "ft"}}, "/pass_spacing"),
    ("edge", {"distances": {"values": [1, 1e9], "unit": "ft"}}, "/distances/values/1"),
    ("edge", {"stand_off": {"value": -1, "unit": "ft"}}, "/stand_off"),
    ("edge", {"edge_pans": spreading.EDGE_PANS | {"pan_area": {"value": 0, "unit": "ft2"}}}, "/edge_pans/pan_area"),
    ("coverage", {"cell": {"value": 0.1, "unit": "mm"}}, "/cell"),
    ("coverage", {"cell": {"value": 0.1, "unit": "ft"}, "grid": True}, "/cell"),
    ("coverage", {"heading": {"value": 1e9, "unit": "deg"}}, "/heading"),
    ("coverage", {"outline": spreading.COVERAGE["outline"] | {"y": {"values": [0, 0, 1], "unit": "ft"}}}, "/outline/y"),
    ("coverage", {"holes": [BOWTIE]}, "/holes/0"),
    ("coverage", {"holes": [spreading.COVERAGE["holes"][0]] * 2}, "/holes/1"),
    ("coverage", {"edge_pans": spreading.EDGE_PANS | {"pan_area": {"value": 0, "unit": "ft2"}}}, "/edge_pans/pan_area"),
    ("flight", {"release_angles": {"values": [0, 89], "unit": "deg"}}, "/release_angles/values/1"),
]


@pytest.mark.parametrize(("name", "changes", "pointer"), BAD)
def test_what_cannot_be_computed_is_refused_by_its_place(web, name, changes, pointer):
    body = {**THINGS[name].example, **changes}
    refused = web.send("POST", f"/v1/compute/{name}", {one: value for one, value in body.items() if value is not None})
    assert refused.status_code == 422
    (fault,) = refused.json()["errors"]
    assert fault["pointer"] == pointer
    assert fault["allowed"]


def test_a_side_that_was_seen_is_named_by_its_observation(web):
    seen = [{"impeller_speed": {"value": 300, "unit": "rpm"}}] * 2
    seen[1] = seen[1] | {"left": {"value": -8, "unit": "ft"}}
    refused = web.send("POST", "/v1/compute/throw", {"observations": seen}).json()
    assert refused["errors"][0]["pointer"] == "/observations/1/left"


def test_a_pan_test_tells_intervals_recovery_and_what_to_adjust(web):
    body = spreading.PAN_TEST | {"wind": {"value": 7, "unit": "mph"}}
    told = web.made("POST", "/v1/compute/overlap?units=us", body)
    assert {"windy"} <= {one["code"] for one in told["findings"]}
    one = told["by_driving"]["one_way"]
    assert all(low <= high for low, high in zip(one["cv_low"]["values"], one["cv_high"]["values"], strict=True))
    assert one["widest_interval"]["low"]["value"] < one["widest_interval"]["high"]["value"]
    assert told["recovered"]["value"] == pytest.approx(100, abs=15)
    assert told["adjustment"]["impeller_speed"]["value"] > 480
    single = web.made("POST", "/v1/compute/overlap", body | {"rows": body["rows"][:1]})
    assert single["by_driving"]["one_way"]["cv_low"] is None


def test_wind_across_shifts_both_sides_to_the_right(web):
    landings = web.made("POST", "/v1/compute/flight?units=si", spreading.FLIGHT)["landings"]
    assert {one["side"] for one in landings} == {"left", "right"}
    assert all(one["drift"]["value"] > 0 for one in landings)
    middle = [one for one in landings if one["coarser"]["value"] == 50]
    assert middle[0]["still"]["value"] == pytest.approx(middle[1]["still"]["value"], rel=1e-9)


def test_a_finding_of_the_edge_pass_points_at_its_own_pans(web):
    pans = json.loads(json.dumps(spreading.EDGE_PANS))
    pans["rows"][0]["masses"]["values"][0] = 4
    told = web.made("POST", "/v1/compute/edge", spreading.EDGE | {"edge_pans": pans})
    (found,) = [one for one in told["findings"] if one["code"] == "no_stand_off"]
    assert (found["severity"], found["where"]) == ("stop", "/edge_pans/positions/values/0")
    assert told["stand_off"] is None
    assert told["by_driving"] == {"one_way": None, "back_and_forth": None}


def test_a_grid_is_told_only_when_asked_and_stands_in_the_plan(web):
    plain = web.made("POST", "/v1/compute/coverage?units=si", spreading.COVERAGE)
    assert plain["grid"] is None
    asked = spreading.COVERAGE | {"grid": True, "cell": {"value": 0.5, "unit": "m"}}
    told = web.made("POST", "/v1/compute/coverage?units=si", asked)
    grid, rates = told["grid"], told["grid"]["rates"]["values"]
    mass = sum(map(sum, rates)) * grid["cell"]["value"] ** 2 / 1000
    off = sum(one["mass"]["value"] for one in told["off_target"])
    assert mass == pytest.approx(told["material"]["value"], rel=1e-3)
    assert told["material_on_target"]["value"] + off == pytest.approx(mass, rel=1e-9)
    pond = spreading.COVERAGE["holes"][0]
    column = round((72.5 * 0.3048 - grid["x"]["value"]) / 0.5)
    row = round((62.5 * 0.3048 - grid["y"]["value"]) / 0.5)
    assert (rates[row][column], pond["name"]) == (0, "pond")
    assert max(rates[row]) > 10


def test_a_plan_far_from_its_origin_gives_the_same_map(web):
    moved = json.loads(json.dumps(spreading.COVERAGE))
    for ring in (moved["outline"], *moved["holes"]):
        ring["x"]["values"] = [x + 1_500_000 for x in ring["x"]["values"]]
    here, there = (web.made("POST", "/v1/compute/coverage", body) for body in (spreading.COVERAGE, moved))
    assert there["cv"]["value"] == pytest.approx(here["cv"]["value"], rel=1e-6)
    assert there["passes"][0]["x"]["values"][0] == pytest.approx(here["passes"][0]["x"]["values"][0] + 1_500_000)
