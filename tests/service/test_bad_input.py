"""What a person gets wrong is answered by name and place, and nothing of it is stored; what is only odd is shown."""

import copy
import json

import pytest

from tests.scenario import MISSING, example, season, serving


@pytest.fixture(scope="module")
def web(tmp_path_factory):
    with serving(tmp_path_factory.mktemp("bad")) as made:
        made.send("GET", "/v1/organisation")
        yield made


@pytest.fixture(scope="module")
def ours(web):
    return season(web, in_use=True, trial=True)


def changed(document, *changes):
    """A copy with values put at places, such as ``("catches", 1, "mass")``; ``...`` takes one away."""
    made = copy.deepcopy(document)
    for *way, last, value in changes:
        inner = made
        for step in way:
            inner = inner[step]
        if value is ...:
            del inner[last]
        else:
            inner[last] = value
    return made


def quantity(value, unit):
    return {"value": value, "unit": unit}


def caught(opening, mass, **more):
    return {"opening": quantity(opening, "%"), "mass": quantity(mass, "lb"), "duration": quantity(30, "s"), **more}


def weighed(opening, gross, tare):
    return changed(caught(opening, 0), ("mass", ...), ("gross", quantity(gross, "lb")), ("tare", quantity(tare, "lb")))


CURVE, OPENING, PANS = example("computeFlowCurve"), example("computeOpening"), example("computeOverlap")
PLACES = PANS["positions"]["values"]
MASSES = PANS["rows"][0]["masses"]["values"]
ONE_ROW = changed(PANS, ("rows", [PANS["rows"][0]]))
SECOND = ("catches", 1)

# What is wrong with the catches, the pointer, the code, and the status.
CATCHES = {
    "unknown unit": (changed(CURVE, (*SECOND, "mass", quantity(2, "stone"))), "/catches/1/mass/unit", "not_in_list", 400),
    "mass in feet": (changed(CURVE, (*SECOND, "mass", quantity(2, "ft"))), "/catches/1/mass/unit", "not_in_list", 400),
    "mass without a unit": (changed(CURVE, (*SECOND, "mass", 2.0)), "/catches/1/mass", "wrong_type", 400),
    "mass as text": (changed(CURVE, (*SECOND, "mass", quantity("2", "lb"))), "/catches/1/mass/value", "wrong_type", 400),
    "duration zero": (changed(CURVE, (*SECOND, "duration", quantity(0, "s"))), "/catches/1/duration", "bad_duration", 422),
    "duration negative": (changed(CURVE, (*SECOND, "duration", quantity(-3, "s"))), "/catches/1/duration", "bad_duration", 422),
    "duration missing": (changed(CURVE, (*SECOND, "duration", ...)), "/catches/1", "member_missing", 400),
    "opening below 0 %": (changed(CURVE, (*SECOND, "opening", quantity(-1, "%"))), "/catches/1/opening", "bad_opening", 422),
    "opening above 100 %": (changed(CURVE, (*SECOND, "opening", quantity(101, "%"))), "/catches/1/opening", "bad_opening", 422),
    "opening above 1": (changed(CURVE, (*SECOND, "opening", quantity(40, "1"))), "/catches/1/opening", "bad_opening", 422),
    "no catch": ({"catches": []}, "/catches", "out_of_range", 400),
    "one catch": ({"catches": [caught(20, 1)]}, "/catches", "too_few_openings", 422),
    "one used opening": ({"catches": [caught(20, 1), caught(30, 2, stream="pulsing")]}, "/catches", "too_few_openings", 422),
    "all openings equal": ({"catches": [caught(20, 1), caught(20, 1.02)]}, "/catches", "openings_all_equal", 422),
    "falling flow": (
        {"catches": [caught(o, m) for o, m in ((20, 4), (20, 4.02), (30, 3), (30, 3.01), (40, 2), (40, 2.01))]},
        "/catches", "flow_falls", 422,
    ),
    "gross below tare": ({"catches": [weighed(20, 2, 1), weighed(30, 1, 1.2)]}, "/catches/1/gross", "gross_below_tare", 422),
    "tare negative": ({"catches": [weighed(20, 2, 1), weighed(30, 2, -1)]}, "/catches/1/gross", "gross_below_tare", 422),
    "gross without tare": (changed(CURVE, (*SECOND, changed(weighed(30, 2, 1), ("tare", ...)))), "/catches/1", "mass_unclear", 422),
    "mass and gross": (changed(CURVE, (*SECOND, "gross", quantity(3, "lb"))), "/catches/1", "mass_unclear", 422),
    "no mass at all": (changed(CURVE, (*SECOND, "mass", ...)), "/catches/1", "mass_unclear", 422),
    "nothing fell from a steady stream": (changed(CURVE, (*SECOND, "mass", quantity(0, "lb"))), "/catches/1/mass", "bad_mass", 422),
    "mass negative": (changed(CURVE, (*SECOND, "mass", quantity(-1, "lb"))), "/catches/1/mass", "bad_mass", 422),
    "material through a shut gate": (changed(CURVE, (*SECOND, "opening", quantity(0, "%"))), "/catches/1/opening", "bad_opening", 422),
    "unknown stream": (changed(CURVE, (*SECOND, "stream", "fine")), "/catches/1/stream", "not_in_list", 400),
    "unknown form": (changed(CURVE, ("form", "spline")), "/form", "not_in_list", 400),
    "unknown member": (changed(CURVE, (*SECOND, "weight", 2)), "/catches/1/weight", "unknown_member", 400),
    "readability negative": (changed(CURVE, ("scale_readability", quantity(-1, "g"))), "/scale_readability", "bad_scale_readability", 422),
}  # fmt: skip

# What is wrong with a pan test, alike.
PAN_TESTS = {
    "pans not in order": (changed(PANS, ("positions", "values", [PLACES[1], PLACES[0], *PLACES[2:]])), "/positions/values/1", "not_ascending", 422),
    "two pans at one place": (changed(PANS, ("positions", "values", [PLACES[0], *PLACES[:-1]])), "/positions/values/1", "not_ascending", 422),
    "one pan": (
        changed(PANS, ("positions", "values", [0]), ("rows", [{"masses": {"values": [1], "unit": "g"}}])),
        "/positions", "too_few_pans", 422,
    ),
    "all pans empty": (changed(PANS, ("rows", 1, "masses", "values", [0] * 13)), "/rows/1", "row_empty", 422),
    "left end pan missing": (changed(PANS, ("rows", 1, "masses", "values", 0, None)), "/rows/1/masses/values/0", "end_pan_missing", 422),
    "right end pan missing": (changed(PANS, ("rows", 0, "masses", "values", 12, None)), "/rows/0/masses/values/12", "end_pan_missing", 422),
    "a pan too few": (changed(PANS, ("rows", 1, "masses", "values", MASSES[1:])), "/rows/1/masses", "wrong_length", 422),
    "a mass below zero": (changed(PANS, ("rows", 0, "masses", "values", 3, -1)), "/rows/0/masses/values/3", "mass_below_tare", 422),
    "a mass below the tare": (changed(PANS, ("pan_tare", quantity(1, "g"))), "/rows/0/masses/values/0", "mass_below_tare", 422),
    "pans on one side only": (
        changed(PANS, ("positions", "values", [one + 13 for one in PLACES])), "/positions", "middle_not_covered", 422,
    ),
    "a pan without an area": (changed(PANS, ("pan_area", quantity(0, "ft2"))), "/pan_area", "bad_pan_area", 422),
    "area in feet": (changed(PANS, ("pan_area", quantity(1, "ft"))), "/pan_area/unit", "not_in_list", 400),
    "driven no time": (changed(PANS, ("rows", 0, "passes", 0)), "/rows/0/passes", "out_of_range", 400),
    "spacing zero": (changed(PANS, ("spacings", {"values": [11, 0], "unit": "ft"})), "/spacings/values/1", "bad_spacing", 422),
    "no row": (changed(PANS, ("rows", [])), "/rows", "out_of_range", 400),
    "a position that is not there": (changed(PANS, ("positions", "values", 2, None)), "/positions/values/2", "wrong_type", 400),
    "unknown way of driving": (changed(PANS, ("driving", ["round"])), "/driving/0", "not_in_list", 400),
}  # fmt: skip

RATES = {
    "rate zero": (changed(OPENING, ("rate", "value", 0)), "/rate", "bad_rate", 422),
    "rate negative": (changed(OPENING, ("rate", "value", -1)), "/rate", "bad_rate", 422),
    "rate in miles an hour": (changed(OPENING, ("rate", "unit", "mph")), "/rate/unit", "not_in_list", 400),
    "speed zero": (changed(OPENING, ("speed", "value", 0)), "/speed", "bad_speed", 422),
    "speed negative": (changed(OPENING, ("speed", "value", -3)), "/speed", "bad_speed", 422),
    "pass spacing zero": (changed(OPENING, ("pass_spacing", "value", 0)), "/pass_spacing", "bad_width", 422),
    "spacing and edge": (
        changed(OPENING, ("edge_width", quantity(5, "ft"))),
        "/pass_spacing",
        "laid_width_unclear",
        422,
    ),
    "neither spacing nor edge": (changed(OPENING, ("pass_spacing", ...)), "/pass_spacing", "laid_width_unclear", 422),
    "three coverages": (changed(OPENING, ("coverages", 3)), "/coverages", "not_in_list", 400),
    "correction too large": (changed(OPENING, ("correction", 1.2)), "/correction", "bad_correction", 422),
    "no curve": (changed(OPENING, ("curve", ...)), "", "member_missing", 400),
    "a curve that no fit makes": (changed(OPENING, ("curve", "exponent", -2.0)), "/curve/exponent", "bad_curve", 422),
    "unknown member": (changed(OPENING, ("sped", 3)), "/sped", "unknown_member", 400),
}
COMPUTED = {
    f"{thing}: {what}": (path, *case)
    for thing, path, cases in (
        ("catches", "flow-curve", CATCHES),
        ("pans", "overlap", PAN_TESTS),
        ("rate", "opening", RATES),
    )
    for what, case in cases.items()
}


def refused(answer, status, pointer, code):
    """Checks that there is one fault, where and what."""
    assert answer.status_code == status, answer.text
    found = answer.json()
    assert [(one["pointer"], one["code"]) for one in found["errors"]] == [(pointer, code)], found
    assert found["errors"][0]["allowed"]
    assert found["errors"][0]["detail"] in found["detail"]


@pytest.mark.parametrize("what", COMPUTED)
def test_a_computation_refuses_it_by_place(web, what):
    path, body, pointer, code, status = COMPUTED[what]
    refused(web.send("POST", f"/v1/compute/{path}", body), status, pointer, code)


@pytest.mark.parametrize("what", [what for what, case in COMPUTED.items() if case[-1] == 422])
def test_one_bad_item_spoils_no_other(web, what):
    path, body, pointer, code, _ = COMPUTED[what]
    good = {"flow-curve": CURVE, "overlap": ONE_ROW, "opening": OPENING}[path]
    items = web.made("POST", f"/v1/compute/{path}s", {"items": [good, body, good]})["items"]
    assert [one["result"] is None for one in items] == [False, True, False]
    assert items[0] == items[2]
    problem = items[1]["problem"]
    assert (problem["type"], problem["status"]) == ("/problems/not-computable", 422)
    assert [(one["pointer"], one["code"]) for one in problem["errors"]] == [(pointer, code)]


CONTENT = example("addRevision")["content"]
STORED = {
    **{f"catches: {what}": ("/content/calibration", changed(CONTENT, ("calibration", body)), *case) for what, (body, *case) in CATCHES.items()},
    **{f"pans: {what}": ("/content/pan_tests/0/test", changed(CONTENT, ("pan_tests", 0, "test", body)), *case) for what, (body, *case) in PAN_TESTS.items()},
    "work rate zero": ("/content", changed(CONTENT, ("work_rates", 0, "rate", "value", 0)), "/work_rates/0/rate", "bad_rate", 422),
    "working speed zero": ("/content", changed(CONTENT, ("work_rates", 0, "speed", "value", 0)), "/work_rates/0/speed", "bad_speed", 422),
    "pass that is not there": ("/content", changed(CONTENT, ("work_rates", 0, "pass_name", "meadow")), "/work_rates/0/pass_name", "unknown_pass", 422),
    "two passes of one name": ("/content", changed(CONTENT, ("passes", 1, "name", "open lawn")), "/passes/1/name", "duplicate_name", 422),
    "pass without a width": ("/content", changed(CONTENT, ("passes", 0, "width", "value", 0)), "/passes/0/width", "bad_width", 422),
    "edge pass of a negative width": ("/content", changed(CONTENT, ("passes", 1, "width", "value", -5)), "/passes/1/width", "bad_width", 422),
    "a curve of other catches": ("/content", changed(CONTENT, ("curve", changed(OPENING["curve"], ("exponent", 1.2)))), "/curve", "curve_differs", 422),
    "a format that is not known": ("/content", changed(CONTENT, ("format", 2)), "/format", "not_in_list", 400),
    "unknown member": ("/content", changed(CONTENT, ("colour", "red")), "/colour", "unknown_member", 400),
}  # fmt: skip


@pytest.mark.parametrize("what", STORED)
def test_a_revision_refuses_it_by_place_and_nothing_is_stored(web, ours, what):
    prefix, content, pointer, code, status = STORED[what]
    stored = web.dump()
    refused(
        web.send("POST", f"/v1/profiles/{ours.profile}/revisions", {"content": content}), status, prefix + pointer, code
    )
    refused(web.send("PUT", ours.revision, {"content": content}, If_Match="*"), status, prefix + pointer, code)
    assert web.dump() == stored


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity", "1e999", "01", "+1", ".5", "0x10"])
def test_numbers_that_json_does_not_know_are_refused(web, number):
    body = json.dumps(changed(CURVE, (*SECOND, "duration", "value", 123456))).replace("123456", number)
    answer = web.send("POST", "/v1/compute/flow-curve", body.encode())
    assert (answer.status_code, answer.json()["type"]) == (400, "/problems/unreadable")


WRITES = {
    "stale If-Match": ("PUT", "{material}", example("addMaterial", "x "), {"If_Match": '"9"'}, 412, None),
    "no If-Match": ("PUT", "{material}", example("addMaterial", "x "), {}, 428, None),
    "no reason": ("POST", "{revision}/release", {}, {"If_Match": "*"}, 400, ""),
    "an empty reason": ("POST", "{revision}/release", {"reason": ""}, {"If_Match": "*"}, 400, "/reason"),
    "a reason of blanks": ("POST", "{revision}/release", {"reason": " \n"}, {"If_Match": "*"}, 400, "/reason"),
    "a withdrawal without a reason": ("POST", "{revision}/withdraw", {"because": "unsafe"}, {"If_Match": "*"}, 400, ""),
    "a withdrawal without saying why": ("POST", "{revision}/withdraw", {"reason": "clumps"}, {"If_Match": "*"}, 400, ""),
    "unknown key": ("POST", "/v1/materials", {"name": "x"}, {"key": "catchpan-nobodys"}, 401, None),
    "broken JSON": ("POST", "/v1/materials", b'{"name": "x"', {}, 400, ""),
    "unknown member": ("POST", "/v1/materials", {"name": "x", "nmae": "y"}, {}, 400, "/nmae"),
    "no name": ("POST", "/v1/machine-kinds", {"gates": 2}, {}, 400, ""),
    "three gates": ("POST", "/v1/machine-kinds", {"name": "x", "gates": 3}, {}, 400, "/gates"),
    "an id that is none": ("POST", "/v1/profiles", {"material": "1", "machine_kind": MISSING, "name": "x"}, {}, 400, "/material"),
    "parent that is not there": ("POST", "{revisions}", {"content": {"format": 1}, "parent": 9}, {}, 422, "/parent"),
}  # fmt: skip


@pytest.mark.parametrize("what", WRITES)
def test_a_write_refuses_it_and_nothing_is_stored(web, ours, what):
    method, path, body, options, status, pointer = WRITES[what]
    place = {
        "material": f"/v1/materials/{ours.material}",
        "revision": ours.revision,
        "revisions": ours.revision.removesuffix("/1"),
    }
    stored = web.dump()
    answer = web.send(method, path.format(**place), body, **options)
    assert web.dump() == stored
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    assert [one["pointer"] for one in answer.json()["errors"]] == ([] if pointer is None else [pointer])


def test_the_current_state_is_told_to_who_was_late(web, ours):
    answer = web.send("PUT", f"/v1/materials/{ours.material}", example("addMaterial", "late "), If_Match='"9"')
    assert answer.json()["current"] == web.made("GET", f"/v1/materials/{ours.material}")


# --- what is only odd is computed, shown, and stored

ODD = {
    "a pulsing catch": ("flow-curve", changed(CURVE, ("catches", [*CURVE["catches"], caught(10, 0.1, stream="pulsing")])), "pulsing_catch", "/catches/8"),
    "a catch that looks weighed in kilograms": (
        "flow-curve", changed(CURVE, ("catches", 4, "mass", quantity(round(3.66 * 0.45359237, 2), "lb"))), "catch_in_another_unit", "/catches/4",
    ),
    "a catch that looks weighed in ounces": (
        "flow-curve", changed(CURVE, ("catches", 5, "mass", quantity(4.75 * 16, "lb"))), "catch_in_another_unit", "/catches/5",
    ),
    "repeats that disagree": ("flow-curve", changed(CURVE, ("catches", 4, "mass", quantity(4.8, "lb"))), "repeats_disagree", "/catches/3"),
    "a small fall in flow": (
        "flow-curve",
        {"catches": [caught(o, m) for o, m in ((20, 1), (30, 2), (30, 2.02), (40, 3), (40, 3.05), (45, 2.93), (60, 5))], "form": "monotone"},
        "falling_flow", None,
    ),
    "a row of pans too short": (
        "overlap",
        changed(ONE_ROW, ("positions", "values", PLACES[3:-3]), ("rows", 0, "masses", "values", MASSES[3:-3])),
        "end_pan_not_empty", "/positions/values/0",
    ),
    "a pan that was not there": ("overlap", changed(ONE_ROW, ("rows", 0, "masses", "values", 4, None)), "missing_pan_filled", "/rows/0/masses/values/4"),
    "one row alone": ("overlap", ONE_ROW, "one_row_only", "/rows"),
    "a rate above the label": ("opening", changed(OPENING, ("label_highest_rate", quantity(3, "lb/1000ft2"))), "above_label", None),
}  # fmt: skip


def looked_up(document, pointer):
    """What a JSON Pointer leads to; KeyError or IndexError where it leads nowhere."""
    for step in filter(None, pointer.split("/")):
        document = document[int(step)] if isinstance(document, list) else document[step]
    return document


@pytest.mark.parametrize("what", ODD)
def test_what_is_odd_is_a_finding_that_points_at_it(web, what):
    path, body, code, where = ODD[what]
    found = [one for one in web.made("POST", f"/v1/compute/{path}", body)["findings"] if one["code"] == code]
    assert found
    assert where is None or where in {one["where"] for one in found}
    for one in found:
        assert one["severity"] in {"note", "look", "stop"}
        assert one["what"]
        assert one["advice"]
        looked_up(body, one["where"])


def test_good_catches_and_pans_raise_nothing_that_a_person_must_look_at(web):
    for path, body in (("flow-curve", CURVE), ("overlap", PANS), ("opening", OPENING)):
        assert [
            one["code"]
            for one in web.made("POST", f"/v1/compute/{path}", body)["findings"]
            if one["severity"] != "note"
        ] == []


def test_what_is_odd_is_stored_and_shown_with_its_revision(web):
    ours = season(web, name="odd ", drafts=0)
    _, odd, code, where = ODD["a catch that looks weighed in kilograms"]
    content = changed(CONTENT, ("calibration", odd))
    made = web.made("POST", f"/v1/profiles/{ours.profile}/revisions", {"content": content})
    shown = web.made("GET", ours.revision)
    assert made["findings"] == shown["findings"]
    assert (code, f"/content/calibration{where}") in {(one["code"], one["where"]) for one in shown["findings"]}
    assert shown["content"]["calibration"] == odd


@pytest.mark.parametrize(("speed", "status"), [(60, "beyond_full_opening"), (3.5, "ok"), (0.2, "steadiness_unknown")])
def test_a_rate_out_of_reach_is_a_status_with_the_speeds_that_would_work(web, speed, status):
    answer = web.made("POST", "/v1/compute/opening", changed(OPENING, ("speed", "value", speed)))
    low, high = answer["speed_range"]["low"], answer["speed_range"]["high"]
    assert answer["status"] == status
    assert low["unit"] == high["unit"] == "mph"
    for there in (low["value"] * 1.001, high["value"] * 0.999):
        again = web.made("POST", "/v1/compute/opening", changed(OPENING, ("speed", "value", there)))
        assert again["status"] in {"ok", "outside_catches"}
    if status == "beyond_full_opening":
        assert answer["opening"] is None
        assert answer["rate_at_set_opening"] is None
        assert speed > high["value"]
    elif status == "steadiness_unknown":
        assert speed < low["value"]


def test_below_steady_flow_says_so_and_which_speed_would_work(web):
    pulsing = changed(CURVE, ("catches", [caught(18, 0.5, stream="pulsing"), *CURVE["catches"]]))
    curve = web.made("POST", "/v1/compute/flow-curve", pulsing)["curve"]
    slow = changed(OPENING, ("curve", curve), ("speed", "value", 0.2))
    answer = web.made("POST", "/v1/compute/opening", slow)
    assert answer["status"] == "below_steady_flow"
    wanted = answer["speed_range"]["low"]["value"] * 1.001
    assert web.made("POST", "/v1/compute/opening", changed(slow, ("speed", "value", wanted)))["status"] == "ok"
