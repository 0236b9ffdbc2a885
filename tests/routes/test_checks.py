"""Checks, priors and borrowed curves: over HTTP, by both clients and on the command line, one answer."""

import asyncio
import json
import time

import msgspec
import pytest

from catchpan import AsyncCatchpan, Catchpan
from catchpan_service.app import create_app
from catchpan_service.examples import checks
from catchpan_service.routes.computations import COMPUTATIONS
from catchpan_service.settings import Settings
from tests.cli.test_commands import run
from tests.scenario import serving

EXAMPLES = {thing.name: thing.example for thing in COMPUTATIONS}
NAMES = ("check-catch", "field-check", "check-series", "prior", "provisional-curve")
THINGS = {thing.name: thing for thing in COMPUTATIONS if thing.name in NAMES}


@pytest.fixture(scope="module")
def web(tmp_path_factory):
    with serving(tmp_path_factory.mktemp("checks")) as made:
        yield made


def method(name):
    return name.replace("-", "_")


@pytest.mark.parametrize("name", THINGS)
def test_http_and_both_clients_give_one_answer(web, tmp_path, name):
    apps = [create_app(Settings(database=str(tmp_path / f"{one}.sqlite"), log_requests=False)) for one in "ab"]
    thing = THINGS[name]
    asked = msgspec.convert(thing.example, thing.wire("Request"))
    told = web.made("POST", f"/v1/compute/{name}?units=us", thing.example)
    with Catchpan.in_process(apps[0], units="us") as client:
        answer = getattr(client, method(name))(asked)
        batch = getattr(client, method(thing.plural))(thing.wire("Batch")(items=[asked] * 2))

    async def ask():
        async with AsyncCatchpan.in_process(apps[1], units="us") as client:
            return await getattr(client, method(name))(asked)

    assert msgspec.to_builtins(answer) == told
    assert asyncio.run(ask()) == answer
    assert [one.result for one in batch.items] == [answer] * 2


PRIOR = {"exponent": 1.6, "exponent_uncertainty": 0.2, "dead_opening": 0.08, "dead_opening_uncertainty": 0.02}
BAD = [
    ("check-catch", {"correction": 2}, "/correction"),
    ("check-catch", {"tolerance": {"value": 90, "unit": "%"}}, "/tolerance"),
    ("check-catch", {"curve": {**checks.CURVE, "gates": "left"}}, "/catches/0/gates"),
    ("field-check", {"distance": {"value": 0, "unit": "ft"}}, "/distance"),
    ("field-check", {"laid_width": None}, "/laid_width"),
    ("check-series", {"checks": [{"ratio": {"value": 1, "unit": "1"}, "standard_uncertainty": {"value": 0, "unit": "1"}}]}, "/checks/0/standard_uncertainty"),
    ("check-series", {"weight": 3.5}, "/weight"),
    ("prior", {"sets": checks.PRIOR["sets"][:2]}, "/sets"),
    ("prior", {"size_guide_number": 9000}, "/size_guide_number"),
    ("prior", {"sets": [{**checks.PRIOR["sets"][0], "catches": checks.CHECK_CATCH["catches"]}]}, "/sets/0/catches"),
    ("provisional-curve", {"catches": checks.CHECK_CATCH["catches"][:2]}, "/catches"),
    ("flow-curve", {"prior": {**PRIOR, "correlation": 2}}, "/prior/correlation"),
    ("flow-curve", {"reference": {**checks.CURVE, "exponent": 99}}, "/reference/exponent"),
    ("flow-curve", {"bag_opened": "2026-03-02T07:10:00Z"}, "/caught"),
    ("flow-curve", {"bag_opened": "2026-03-02T07:10:00Z", "caught": "2026-03-01T07:10:00Z"}, "/bag_opened"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "changes", "pointer"), BAD)
def test_what_cannot_be_computed_is_refused_by_its_place(web, name, changes, pointer):
    body = {one: value for one, value in {**EXAMPLES[name], **changes}.items() if value is not None}
    refused = web.send("POST", f"/v1/compute/{name}", body)
    assert refused.status_code == 422
    (fault,) = refused.json()["errors"]
    assert (fault["pointer"], bool(fault["allowed"])) == (pointer, True)


def test_the_commands_print_the_decision_and_its_json(tmp_path):
    (tmp_path / "curve.json").write_text(json.dumps(checks.CURVE))
    (tmp_path / "checks.csv").write_text(
        "opening [%],mass [lb],duration [s]\n30,3.36,45\n30,3.39,45\n52,5.11,20\n52,5.15,20\n"
    )
    (tmp_path / "series.csv").write_text("ratio [%],standard uncertainty [%]\n100,2\n104,2\n107,2\n109,2\n110,2\n")
    told = run("check", "catch", "curve.json", "checks.csv", "--scale-readability", "0.02 lb", folder=tmp_path)
    assert told.stdout.startswith("correct: one factor mends it"), told
    assert json.loads(run("check", "catch", "curve.json", "checks.csv", "--json", folder=tmp_path).stdout)["decision"]
    field = run("check", "field", "--used", "150 lb", "--rate", "3.2 lb/1000ft2", "--area", "1 ac", folder=tmp_path)
    assert "Laid 7.6 % heavy, cause not known." in field.stdout
    assert "machine gives more" in run("check", "series", "series.csv", folder=tmp_path).stdout


def test_a_fleets_prior_goes_from_its_command_into_a_fit(tmp_path):
    lines = [
        f"{one['material']},{one['size_guide_number']},{c['opening']['value']},{c['mass']['value']},20"
        for one in checks.PRIOR["sets"] for c in one["catches"]
    ]  # fmt: skip
    head = "material,size guide number,opening [%],mass [lb],duration [s]\n"
    (tmp_path / "sets.csv").write_text(head + "\n".join(lines))
    (tmp_path / "two.csv").write_text("opening [%],mass [lb],duration [s],lot\n30,3.36,45,L1\n52,5.11,20,L1\n")
    (tmp_path / "curve.json").write_text(json.dumps(checks.CURVE))
    told = run("curve", "prior", "sets.csv", "--without", "Alder Overseed", folder=tmp_path)
    assert "From 3 materials" in told.stdout, told
    (tmp_path / "prior.json").write_text(run("curve", "prior", "sets.csv", "--json", folder=tmp_path).stdout)
    fits = [
        json.loads(run("curve", "fit", "two.csv", "--json", *more, folder=tmp_path).stdout)["fit"]
        for more in ((), ("--prior", "prior.json", "--reference", "curve.json"))
    ]
    spreads = [one["parameters"]["exponent"]["standard_uncertainty"] for one in fits]
    assert spreads[1] < spreads[0]


def test_a_borrowed_curve_is_kept_and_used(tmp_path):
    (tmp_path / "curve.json").write_text(json.dumps(checks.CURVE))
    (tmp_path / "checks.csv").write_text("opening [%],mass [lb],duration [s]\n30,3.36,45\n52,5.11,20\n")
    assert "borrowed" in run("curve", "provisional", "curve.json", "checks.csv", folder=tmp_path).stdout
    kept = run("curve", "provisional", "curve.json", "checks.csv", "--json", folder=tmp_path).stdout
    (tmp_path / "kept.json").write_text(kept)
    arguments = ("--rate", "3.2 lb/1000ft2", "--speed", "3.5 mph", "--pass-spacing", "11 ft")
    assert run("opening", "kept.json", *arguments, folder=tmp_path).returncode == 0


def test_a_full_batch_of_series_and_of_priors_is_quick(web):
    """Each series with a chart of its own; a client waits ten seconds."""
    items = [{**checks.CHECK_SERIES, "weight": 0.1 + one / 200, "cusum_limit": 4 + one / 100} for one in range(100)]
    start = time.perf_counter()
    web.made("POST", "/v1/compute/check-series-batch", {"items": items})
    sets = [{**one, "material": f"{one['material']} {k}"} for k in range(15) for one in checks.PRIOR["sets"]]
    web.made("POST", "/v1/compute/priors", {"items": [{"sets": sets}] * 5})
    assert time.perf_counter() - start < 8.0
