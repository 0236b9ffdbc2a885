"""Checks that are kept: what follows from each, and what many say of a machine, a kind, a rollout and a month."""

import io

import openpyxl
import pytest

from tests.releases import slug
from tests.scenario import example, operations, season, serving

XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


@pytest.fixture
def web(own_place, clock):
    with serving(own_place, clock=clock) as made:
        yield made


@pytest.fixture
def ours(web):
    return season(web, in_use=True)


def pounds(value):
    return {"value": value, "unit": "lb"}


def caught(ours, factor=1.0, **told):
    """Check catches on the example's curve, times a factor."""
    body = operations()["addMachineCheck"].body(ours)
    catches = [
        one | {"mass": pounds(factor * mass)} for one, mass in zip(body["caught"]["catches"], (3.14, 4.73), strict=True)
    ]
    return body | {"profile": ours.used, "caught": {"catches": catches * 4}} | told


def used(ours, mass=412, **told):
    said = {"used": pounds(mass), "work": "spring feeding", "area": {"value": 3, "unit": "ac"}} | told.pop("used", {})
    return {"profile": ours.used, "number": 1, "at": "2031-03-12T05:55:00Z", "by": "R. Example", "used": said} | told


def record(web, ours, body, machine=None, **options):
    return web.made("POST", f"/v1/machines/{machine or ours.machine}/checks", body, **options)


def another_machine(web, ours, name):
    body = example("addMachine") | {"name": name, "branch": ours.branch, "machine_kind": ours.kind}
    return web.made("POST", "/v1/machines", body)["id"]


def test_a_check_is_judged_by_the_curve_with_the_correction_of_that_day(web, ours, clock):
    before = record(web, ours, caught(ours, at="2031-04-01T06:00:00Z"))
    clock.advance(days=2)
    after = record(web, ours, caught(ours, 0.972, at="2031-04-08T06:00:00Z"))
    assert (before["correction"], after["correction"]) == (1.0, 0.972)
    assert (before["caught"]["decision"], after["caught"]["decision"]) == ("accept", "accept")
    assert after["caught"]["ratio"]["value"] == pytest.approx(before["caught"]["ratio"]["value"], rel=1e-5)
    again = web.made("GET", f"/v1/machines/{ours.machine}/checks/{after['number']}")
    assert again == after


def test_material_used_is_held_against_the_work_rate_that_it_names(web, ours):
    made = record(web, ours, used(ours, used={"distance": {"value": 11000, "unit": "ft"}}))
    (work,) = [one for one in example("addRevision")["content"]["work_rates"] if one["purpose"] == "spring feeding"]
    laid = 412 / (11000 * 11 / 1000)
    assert made["used"]["flow_and_speed"]["value"]["value"] == pytest.approx(
        100 * laid / work["rate"]["value"], rel=1e-9
    )
    assert made["area"] == {"value": 3.0, "unit": "ac"}


def test_material_used_alone_only_counts_in_the_totals(web, ours):
    made = record(web, ours, used(ours) | {"used": {"used": pounds(50)}})
    assert (made["caught"], made["used"], made["area"]) == (None, None, None)
    (row,) = web.made("GET", "/v1/totals")["items"]
    assert (row["records"], row["measured"], row["used"], row["area"]) == (1, 0, pounds(50.0), None)


@pytest.mark.parametrize(
    ("altered", "pointer"),
    [
        ({"used": {"used": pounds(1)}}, "/caught"),
        ({"caught": None}, "/caught"),
        ({"at": "2041-01-01T00:00:00Z"}, "/at"),
        ({"caught": None, "used": {"used": pounds(-1)}}, "/used/used"),
        ({"caught": None, "used": {"used": pounds(1), "work": "snow"}}, "/used/work"),
    ],
)
def test_what_no_check_can_be_is_refused_by_its_place_and_nothing_is_stored(web, ours, altered, pointer):
    stored = web.dump()
    answer = web.send("POST", f"/v1/machines/{ours.machine}/checks", caught(ours) | altered)
    assert (answer.status_code, slug(answer)) == (422, "not-computable")
    assert answer.json()["errors"][0]["pointer"] == pointer
    assert web.dump() == stored


def test_a_check_that_was_struck_counts_nowhere_and_stays_on_record(web, ours):
    record(web, ours, used(ours))
    number = record(web, ours, used(ours, 4120))["number"]
    path = f"/v1/machines/{ours.machine}/checks/{number}/strike"
    assert web.made("GET", "/v1/totals")["items"][0]["used"]["value"] == pytest.approx(4532)
    struck = web.made("POST", path, {"reason": "a nought too many"})
    assert struck["why_struck"] == "a nought too many"
    assert web.made("GET", "/v1/totals")["items"][0]["used"]["value"] == pytest.approx(412)
    listed = web.made("GET", f"/v1/machines/{ours.machine}/checks")["items"]
    assert [one["struck"] is not None for one in listed] == [True, False, False]
    again = web.send("POST", path, {"reason": "twice"})
    assert (again.status_code, slug(again)) == (409, "conflict")


def test_totals_add_up_product_and_nutrients_by_month_and_year_branch_and_material(web, ours):
    away = another_machine(web, ours, "AH-08")
    web.made(
        "PUT", f"/v1/machines/{away}", example("addMachine") | {"name": "AH-08", "branch": web.branch, "machine_kind": ours.kind},
        If_Match="*",
    )  # fmt: skip
    for day, mass, machine in (("03-12", 100, None), ("03-30", 50, None), ("04-02", 20, None), ("03-12", 7, away)):
        record(web, ours, used(ours, mass, at=f"2031-{day}T06:00:00Z"), machine)
    months = web.made("GET", "/v1/totals")["items"]
    told = {(one["period"], one["branch"]): one["used"]["value"] for one in months}
    assert told == pytest.approx(
        {("2031-03", ours.branch): 150, ("2031-03", web.branch): 7, ("2031-04", ours.branch): 20}
    )
    assert months[0]["nitrogen"]["value"] == pytest.approx(0.24 * months[0]["used"]["value"])
    assert months[0]["phosphate"] is None
    years = web.made("GET", f"/v1/totals?by=year&branch={ours.branch}")["items"]
    assert [(one["period"], one["used"]["value"], one["records"]) for one in years] == [("2031", 170.0, 3)]
    april = web.made("GET", "/v1/totals?since=2031-04-01T00:00:00Z&until=2031-05-01T00:00:00Z")["items"]
    assert [one["used"]["value"] for one in april] == [20.0]
    assert [one["branch"] for one in web.made("GET", "/v1/totals", key="branch")["items"]] == [web.branch]
    first = web.made("GET", "/v1/totals?limit=1")
    rest = web.made("GET", f"/v1/totals?limit=200&after={first['next']}")
    assert first["items"] + rest["items"] == months
    answer = web.send("GET", "/v1/totals", Accept=XLSX)
    sheet = openpyxl.load_workbook(io.BytesIO(answer.content)).active
    column = [cell.value for cell in sheet[1]].index("used.value") + 1
    assert [sheet.cell(row, column).value for row in (2, 3, 4)] == [one["used"]["value"] for one in months]


def test_a_machine_that_drifts_is_seen_on_its_chart(web, ours):
    for day, factor in enumerate((1.0, 1.01, 0.99, 1.04, 1.05, 1.05, 1.06, 1.06), 1):
        record(web, ours, caught(ours, factor, at=f"2031-03-{day:02}T06:00:00Z"))
    (chart,) = [
        one
        for one in web.made("GET", f"/v1/machines/{ours.machine}/charts")["charts"]
        if "used" in one["material_name"]
    ]
    assert len(chart["checks"]) == 8
    assert chart["checks"][-1]["charted"]["signal"] == "high"
    assert [one["code"] for one in chart["findings"]] == ["machine_drifts"]


def test_three_machines_checked_tell_the_spread_of_the_kind_and_the_interval_of_any_machine(web, ours):
    spread, settings = (
        f"/v1/machine-kinds/{ours.kind}/spread",
        f"/v1/machines/{ours.machine}/settings?profile={ours.used}",
    )
    record(web, ours, caught(ours, 0.96))
    assert web.made("GET", spread)["spread"] is None
    assert web.made("GET", settings)["works"][0]["rate_interval"]["any_machine"] is None
    for name, factor in (("AH-11", 1.0), ("AH-12", 1.06), ("AH-13", 2.5)):
        record(web, ours, caught(ours, factor), another_machine(web, ours, name))
    told = web.made("GET", spread)
    assert [one["name"] for one in told["machines"]] == ["AH-07", "AH-11", "AH-12"], "one with a fault is left out"
    assert told["machines_checked"] == 3
    assert 3 < told["spread"]["value"] < 6
    assert told["machines"][0]["deviation"]["value"] < -3
    seen_by_a_branch = web.made("GET", spread, key="branch")
    assert (seen_by_a_branch["spread"], seen_by_a_branch["machines"]) == (told["spread"], [])
    interval = web.made("GET", settings)["works"][0]["rate_interval"]
    assert interval["any_machine"]["high"]["value"] > interval["this_machine"]["high"]["value"]


def test_a_branch_records_checks_of_its_own_machines_alone(web, ours):
    body = caught(ours)
    assert web.send("POST", f"/v1/machines/{ours.machine}/checks", body, key="branch").status_code == 404
    mine = web.made(
        "POST", "/v1/machines", example("addMachine") | {"name": "AH-20", "branch": web.branch, "machine_kind": ours.kind}
    )["id"]  # fmt: skip
    assert record(web, ours, body, mine, key="branch")["recorded_by"] == "branch"
    assert web.send("POST", f"/v1/machines/{mine}/checks", body, key="reader").status_code == 403
