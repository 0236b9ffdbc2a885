"""Every refusal is a problem of the catalogue, and says where, what was given and what is allowed."""

import json

import pytest

from catchpan.contract.bulk import MAX_BYTES
from catchpan.contract.problems import Slug
from catchpan_service.problems import CATALOGUE
from tests.scenario import MISSING, example, is_problem, operations, season, serving

KIB = 8192


@pytest.fixture(scope="module")
def web(tmp_path_factory):
    with serving(tmp_path_factory.mktemp("problems"), max_body=KIB) as made:
        yield made


def test_the_catalogue_knows_every_kind_with_a_title_of_its_own():
    assert set(CATALOGUE) == set(Slug)
    titles = [title for _, title in CATALOGUE.values()]
    assert len(set(titles)) == len(titles)
    assert all(400 <= status < 600 and title for status, title in CATALOGUE.values())


# --- paths and methods


@pytest.mark.parametrize("path", ["/", "/v1", "/v1/nothing", "/v1/materials/1/2", "/%ff%00"])
@pytest.mark.parametrize("method", ["GET", "POST", "OPTIONS"])
def test_a_path_that_is_not_there_is_not_found(web, method, path):
    is_problem(web.send(method, path), Slug.NOT_FOUND)


@pytest.mark.parametrize("path", ["/v1/materials/no-id", f"/v1/profiles/{MISSING}/revisions/x"])
def test_an_id_or_a_number_that_cannot_be_one_is_not_found(web, path):
    is_problem(web.send("GET", path), Slug.NOT_FOUND)


@pytest.mark.parametrize("operation", operations().values(), ids=operations())
def test_a_method_that_is_not_allowed_names_those_that_are(web, operation):
    path = operation.template.replace("{id}", MISSING).replace("{number}", "1")
    allowed = {one.method for one in operations().values() if one.template == operation.template} | {"OPTIONS"}
    allowed |= {"HEAD"} if "GET" in allowed else set()
    for method in {"GET", "POST", "PUT", "PATCH", "DELETE", "BREW"} - allowed:
        answer = web.send(method, path)
        is_problem(answer, Slug.METHOD_NOT_ALLOWED)
        assert set(answer.headers["allow"].split(", ")) == allowed
    answer = web.send("OPTIONS", path)
    assert (answer.status_code, set(answer.headers["allow"].split(", "))) == (204, allowed)


# --- bodies


WITH_BODY = [one for one in operations().values() if "requestBody" in one.described]
NOT_JSON = {
    "broken": b'{"name": "a",}', "cut short": b'{"name": "a"', "NaN": b'{"name": NaN}', "Infinity": b'{"name": -Infinity}',
    "not UTF-8": b'{"name": "\xff"}', "half a surrogate pair": b'{"name": "\\ud800"}', "byte order mark": b"\xef\xbb\xbf{}",
    "two documents": b'{"name": "a"} {}', "comment": b'{"name": "a"} // and so on', "single quotes": b"{'name': 1}",
}  # fmt: skip


@pytest.mark.parametrize("operation", WITH_BODY, ids=lambda one: one.id)
def test_every_body_is_looked_at_alike(web, operation):
    path = operation.template.replace("{id}", MISSING).replace("{number}", "1")

    def send(body, **headers):
        return web.send(
            operation.method, path, body, **({"If_Match": "*"} if "If-Match" in operation.parameters else {}), **headers
        )

    found = is_problem(send(b"{"), Slug.UNREADABLE)
    assert (found.errors[0].pointer, found.errors[0].code) == ("", "not_json")
    assert is_problem(send(b""), Slug.UNREADABLE).errors[0].code == "body_missing"
    assert is_problem(send(b"null"), Slug.UNREADABLE).errors[0].code == "wrong_type"
    found = is_problem(send(json.dumps(operation.example | {"brand_new": 1}).encode()), Slug.UNREADABLE)
    assert (found.errors[0].pointer, found.errors[0].code) == ("/brand_new", "unknown_member")
    assert "members " in found.errors[0].allowed
    is_problem(send(b"{}", Content_Type="text/plain"), Slug.WRONG_MEDIA_TYPE)
    largest = MAX_BYTES if operation.template.startswith("/v1/bulk") else KIB
    is_problem(send(b" " * (largest + 1)), Slug.TOO_LARGE)


@pytest.mark.parametrize("body", NOT_JSON.values(), ids=NOT_JSON)
def test_what_is_no_json_is_said_to_be_none(web, body):
    found = is_problem(web.send("POST", "/v1/materials", body), Slug.UNREADABLE)
    assert [fault.code for fault in found.errors] == ["not_json"]
    assert found.errors[0].allowed == "a JSON document in UTF-8"


@pytest.mark.parametrize(
    "body",
    [b"[", b'{"name": 5', b'{"name": [', b'{"name": ' + b"[" * 4000, b'{"name": ' + b"[" * 3000 + b"]" * 3000 + b"}",
     b'{"name": 5, "note": "\xff"}', b'{"name": "a", "size_guide_number": 1e400}', b'{"name": "a", "brand_new": ' + b"[" * 3000, b'{"name": "a", "bag": {"value": 1e999, "unit": "lb"}}'],
    ids=["[", "cut behind a fault", "deep", "very deep and cut", "very deep", "not UTF-8 behind a fault", "too large a number", "deep in the unknown", "infinite mass"],
)  # fmt: skip
def test_a_fault_before_the_end_of_a_broken_document_is_a_problem_too(web, body):
    found = is_problem(web.send("POST", "/v1/materials", body), Slug.UNREADABLE)
    assert len(found.errors) == 1


def test_a_document_that_nests_too_deeply_is_refused_as_such(web):
    body = b'{"name": "a", "gates": 2.0, "brand_new": ' + b"[" * 3000 + b"]" * 3000 + b"}"
    found = is_problem(web.send("POST", "/v1/machine-kinds", body), Slug.UNREADABLE)
    assert found.errors[0].detail == "the document nests too deeply"


@pytest.mark.parametrize(
    "media", ["", "text/plain", "application/xml", "application/problem+json", "multipart/form-data"]
)
def test_another_media_type_than_json_is_refused(web, media):
    found = is_problem(web.send("POST", "/v1/materials", b'{"name": "a"}', Content_Type=media), Slug.WRONG_MEDIA_TYPE)
    assert found.detail.startswith("Send application/json, not ")


@pytest.mark.parametrize("media", ["application/json", "Application/JSON", "application/json; charset=utf-8"])
def test_json_is_taken_however_it_is_spelled(web, media):
    assert (
        web.send("POST", "/v1/materials", json.dumps({"name": media}).encode(), Content_Type=media).status_code == 201
    )


def test_a_body_that_does_not_tell_its_size_is_measured(web):
    def parts():
        yield from [b" " * 1024] * 9

    headers = {"authorization": f"Bearer {web.keys['owner']}", "content-type": "application/json"}
    is_problem(web.http.post("/v1/materials", content=parts(), headers=headers), Slug.TOO_LARGE)


FAULTS = [
    ({"bag": {"value": 50, "unit": "stone"}}, "/bag/unit", "not_in_list", "stone", "one of g, kg, lb, oz"),
    ({"bag": {"value": 50, "unit": "ft"}}, "/bag/unit", "not_in_list", "ft", "one of g, kg, lb, oz"),
    ({"bag": {"value": 50}}, "/bag", "member_missing", None, "members value, unit"),
    ({"bag": 50}, "/bag", "wrong_type", 50, "members value, unit"),
    ({"bag": {"value": "50", "unit": "lb"}}, "/bag/value", "wrong_type", "50", "number"),
    ({"bag": {"value": True, "unit": "lb"}}, "/bag/value", "wrong_type", True, "number"),
    ({"bag": {"value": None, "unit": "lb"}}, "/bag/value", "wrong_type", None, "number"),
    ({"bag": {"value": 50, "unit": "lb", "of": "sand"}}, "/bag/of", "unknown_member", "sand", "members value, unit"),
    (
        {"nature": "gravel"},
        "/nature",
        "not_in_list",
        "gravel",
        "one of fertiliser, ice_melt, other, seed, soil_amendment",
    ),
    ({"size_guide_number": 0}, "/size_guide_number", "out_of_range", 0, "number, at most 2000, above 0"),
    ({"size_guide_number": 2001}, "/size_guide_number", "out_of_range", 2001, "number, at most 2000, above 0"),
    ({"name": ""}, "/name", "out_of_range", "", r"string, length at least 1, length at most 120, matching ^[^\x00]*$"),
    (
        {"name": "a\x00"},
        "/name",
        "out_of_range",
        "a\x00",
        r"string, length at least 1, length at most 120, matching ^[^\x00]*$",
    ),
    (
        {"name": None},
        "/name",
        "wrong_type",
        None,
        r"string, length at least 1, length at most 120, matching ^[^\x00]*$",
    ),
    ({"pesticide": "yes"}, "/pesticide", "wrong_type", "yes", "boolean"),
    ({"pesticide": 1}, "/pesticide", "wrong_type", 1, "boolean"),
    (
        {"analysis": {"nitrogen": {"value": 24, "unit": "lb"}}},
        "/analysis/nitrogen/unit",
        "not_in_list",
        "lb",
        "one of %, 1",
    ),
]


@pytest.mark.parametrize(("wrong", "pointer", "code", "given", "allowed"), FAULTS)
def test_a_fault_says_where_what_was_given_and_what_is_allowed(web, wrong, pointer, code, given, allowed):
    found = is_problem(web.send("POST", "/v1/materials", example("addMaterial") | wrong), Slug.UNREADABLE)
    assert [(one.pointer, one.code, one.given, one.allowed) for one in found.errors] == [
        (pointer, code, given, allowed)
    ]


def test_a_missing_member_is_named(web):
    found = is_problem(web.send("POST", "/v1/materials", {"maker": "Fernwick Mills"}), Slug.UNREADABLE)
    assert found.errors[0].code == "member_missing"
    assert "`name`" in found.errors[0].detail


@pytest.mark.parametrize("number", ["2.0", "2", "2e0", "20e-1"])
def test_a_whole_number_is_one_however_it_is_written(web, number):
    body = f'{{"name": "whole {number}", "gates": {number}}}'.encode()
    assert web.made("POST", "/v1/machine-kinds", body)["gates"] == 2


@pytest.mark.parametrize("number", ["1.5", '"2"', "true", "1e30", "null"])
def test_what_is_no_whole_number_is_refused(web, number):
    body = f'{{"name": "broken {number}", "gates": {number}}}'.replace('""', '"').encode()
    assert is_problem(web.send("POST", "/v1/machine-kinds", body.replace(b'broken "2"', b"broken 2")), Slug.UNREADABLE)


# --- parameters


@pytest.mark.parametrize(
    ("method", "path", "pointer", "allowed"),
    [
        ("GET", "/v1/materials?limt=5", "/limt", "after, limit"),
        ("GET", "/v1/organisation?units=us", "/units", "none"),
        ("GET", "/healthz?a=1", "/a", "none"),
        ("GET", "/v1/materials?limit=0", "/limit", "`int` >= 1"),
        ("GET", "/v1/materials?limit=201", "/limit", "`int` <= 200"),
        ("GET", "/v1/materials?limit=many", "/limit", "`int`"),
        ("GET", "/v1/materials?limit=", "/limit", "`int`"),
        ("GET", f"/v1/materials?after={'a' * 201}", "/after", "`str` of length <= 200"),
        ("GET", f"/v1/profiles/{MISSING}/revisions/0", "/number", "`int` >= 1"),
        ("GET", f"/v1/profiles/{MISSING}/difference?before=1", "/after", ""),
        ("GET", f"/v1/profiles/{MISSING}/difference?before=1&after=1&tolerance=2", "/tolerance", "`float` <= 1.0"),
        ("POST", "/v1/materials?dry_run=maybe", "/dry_run", "`bool`"),
    ],
)
def test_a_parameter_that_is_wrong_is_named_with_what_is_allowed(web, method, path, pointer, allowed):
    body = example("addMaterial", path) if method == "POST" else None
    found = is_problem(web.send(method, path, *([body] if body else [])), Slug.UNREADABLE)
    assert found.errors[0].pointer == pointer
    assert found.errors[0].allowed.startswith(allowed)


def test_units_that_are_no_system_are_refused_by_their_name(web):
    found = is_problem(web.send("POST", "/v1/compute/opening?units=metric", example("computeOpening")), Slug.UNREADABLE)
    assert found.errors[0].pointer == "/units"


@pytest.mark.parametrize(
    ("header", "value"),
    [("Idempotency-Key", "a b"), ("Idempotency-Key", "a" * 201), ("Idempotency-Key", "é".encode())],
)
def test_a_header_that_is_wrong_is_named(web, header, value):
    answer = web.send("POST", "/v1/materials", example("addMaterial", "header "), **{header.replace("-", "_"): value})
    assert is_problem(answer, Slug.UNREADABLE).errors[0].pointer == f"/{header}"


def test_a_cursor_of_another_list_is_refused(web):
    found = is_problem(web.send("GET", "/v1/materials?after=zzz"), Slug.UNKNOWN_REFERENCE)
    assert found.errors[0].pointer == "/after"


# --- what the store and the rules refuse


def test_a_name_in_use_is_a_conflict(web):
    web.made("POST", "/v1/materials", {"name": "twice"})
    found = is_problem(web.send("POST", "/v1/materials", {"name": "twice"}), Slug.CONFLICT)
    assert (found.errors[0].pointer, found.errors[0].code) == ("/name", "in_use")


def test_what_is_not_there_is_not_found_by_path_and_an_unknown_reference_by_body(web):
    is_problem(web.send("GET", f"/v1/materials/{MISSING}"), Slug.NOT_FOUND)
    ours = season(web, name="reference ")
    body = {"material": MISSING, "machine_kind": ours.spare_kind, "name": "nothing"}
    found = is_problem(web.send("POST", "/v1/profiles", body), Slug.UNKNOWN_REFERENCE)
    assert (found.errors[0].pointer, found.errors[0].given) == ("/material", MISSING)
    body = {"material": ours.material, "machine_kind": MISSING, "name": "nothing"}
    assert (
        is_problem(web.send("POST", "/v1/profiles", body), Slug.UNKNOWN_REFERENCE).errors[0].pointer == "/machine_kind"
    )
    body = example("addRevision") | {"parent": 7}
    found = is_problem(web.send("POST", f"/v1/profiles/{ours.profile}/revisions", body), Slug.UNKNOWN_REFERENCE)
    assert found.errors[0].pointer == "/parent"


def test_a_move_that_the_state_does_not_allow_is_a_conflict_that_says_what_is(web):
    ours = season(web, name="moves ")
    web.made("POST", f"{ours.revision}/release", {"reason": "checked"}, If_Match="*")
    found = is_problem(web.send("PUT", ours.revision, example("addRevision"), If_Match="*"), Slug.CONFLICT)
    assert (found.errors[0].given, found.errors[0].allowed) == ("released", "withdraw_as_replaced, withdraw_as_unsafe")
    is_problem(web.send("POST", f"{ours.revision}/release", {"reason": "again"}, If_Match="*"), Slug.CONFLICT)


def test_a_refused_key_is_told_how_to_present_one(web):
    for key, slug in ((None, Slug.KEY_MISSING), ("catchpan-unknown", Slug.KEY_REFUSED)):
        answer = web.send("GET", "/v1/materials", key=key)
        is_problem(answer, slug)
        assert answer.headers["www-authenticate"] == "Bearer"


def test_every_kind_of_problem_is_named_in_the_document():
    described = " ".join(
        answer["description"] for one in operations().values() for answer in one.described["responses"].values()
    )
    # Those of paths, methods and forms of an answer belong to no operation; storage is the database's own.
    elsewhere = {Slug.METHOD_NOT_ALLOWED, Slug.STORAGE}
    assert {slug for slug, (_, title) in CATALOGUE.items() if title not in described} == elsewhere
