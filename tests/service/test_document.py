"""The document: what is committed is what is served, every operation answers its own example, nothing is left open."""

import dataclasses
import json
import re
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest

from catchpan import __version__
from catchpan.quantities import DIMENSIONS, units
from catchpan_service.forms import OF_LISTS
from tests.scenario import NOTHING, document, example, operations, season, serving

COMMITTED = Path(__file__).parents[2] / "openapi" / "catchpan.json"
SCHEMAS = document()["components"]["schemas"]


@pytest.fixture(scope="module")
def web(tmp_path_factory):
    with serving(tmp_path_factory.mktemp("document")) as made:
        yield made


def nodes(value, place=""):
    """Every JSON object of a document, and where it is."""
    if isinstance(value, dict):
        yield place, value
    for name, inner in (
        value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    ):
        yield from nodes(inner, f"{place}/{name}")


def fits(value, schema):
    """Checks a value against a schema of the document."""
    jsonschema.Draft202012Validator({**schema, "components": document()["components"]}).validate(value)


def test_the_committed_document_is_the_served_one(web):
    served = web.http.get("/openapi.json")
    assert served.headers["content-type"] == "application/json"
    assert COMMITTED.read_bytes() == served.content, "run python -m catchpan_service.publish openapi/catchpan.json"


def test_the_command_writes_what_is_served(web, tmp_path):
    made = tmp_path / "made.json"
    subprocess.run([sys.executable, "-m", "catchpan_service.publish", str(made)], check=True)
    assert made.read_bytes() == web.http.get("/openapi.json").content


def test_the_document_names_its_version_and_the_kind_of_key():
    made = document()
    assert made["openapi"].startswith("3.1")
    assert made["info"]["version"] == __version__
    assert made["components"]["securitySchemes"]["key"]["scheme"] == "bearer"


def test_every_object_is_closed():
    objects = [(place, node) for place, node in nodes(SCHEMAS) if "properties" in node and node.get("type") == "object"]
    assert len(objects) > 40
    assert [place for place, node in objects if node.get("additionalProperties") is not False] == []


def test_every_reference_leads_to_something_and_every_component_is_referred_to():
    found = {node["$ref"] for _, node in nodes(document()) if isinstance(node.get("$ref"), str)}
    assert {one.removeprefix("#/components/schemas/") for one in found} == set(SCHEMAS)


@pytest.mark.parametrize("name", sorted(SCHEMAS))
def test_every_schema_is_one_and_is_described(name):
    jsonschema.Draft202012Validator.check_schema(SCHEMAS[name])
    assert SCHEMAS[name].get("description") or "enum" in SCHEMAS[name]


@pytest.mark.parametrize("kind", DIMENSIONS, ids=lambda kind: kind.__name__)
def test_every_quantity_lists_its_units(kind):
    if kind.__name__ in SCHEMAS:
        assert SCHEMAS[kind.__name__]["properties"]["unit"]["enum"] == sorted(units(kind))


@pytest.mark.parametrize("operation", operations().values(), ids=operations())
def test_every_operation_says_what_it_is_and_what_it_may_refuse(operation):
    described = operation.described
    assert re.fullmatch(r"[a-z][A-Za-z]+", operation.id)
    assert described["summary"]
    assert described["description"]
    assert len(described["tags"]) == 1
    statuses = set(described["responses"])
    assert "500" in statuses
    assert {"400", "413", "415", "422"} <= statuses if "requestBody" in described else True
    asks_who = operation.secured or operation.computes or "token" in operation.parameters
    assert ("401" in statuses) == asks_who
    assert {"403", "409", "503"} <= statuses if operation.writes else "403" not in statuses
    assert ({"412", "428"} <= statuses) == ("If-Match" in operation.parameters)
    assert ("404" in statuses) == ("{id}" in operation.template)
    for status, answer in described["responses"].items():
        media = set(answer.get("content", {}))
        listed = (
            status == "200"
            and operation.id.startswith("list")
            and operation.id not in {"listKeys", "listSigningKeys", "listChanges"}
        )
        forms = {operation.form} | (set(OF_LISTS) if listed else set())
        assert media == ({"application/problem+json"} if status >= "400" else forms)


def test_every_parameter_is_described():
    for operation in operations().values():
        for parameter in operation.described.get("parameters", []):
            assert parameter["in"] in {"query", "path", "header"}
            assert "null" not in json.dumps(parameter["schema"])
            assert parameter["name"] in {"id", "number"} or parameter.get("description"), (
                operation.id,
                parameter["name"],
            )


@pytest.mark.parametrize(
    "operation", [one for one in operations().values() if one.example is not NOTHING], ids=lambda one: one.id
)
def test_every_example_is_as_its_schema_says(operation):
    fits(operation.example, operation.described["requestBody"]["content"]["application/json"]["schema"])


def test_every_operation_answers_its_own_example_as_documented(web):
    ours = season(web, in_use=True, trial=True)
    for operation in operations().values():
        if operation.id == "releaseRevisionProvisionally":
            web.made("POST", f"/v1/profiles/{ours.profile}/revisions", example("addRevision"))
            ours = dataclasses.replace(ours, number=web.made("GET", f"/v1/profiles/{ours.profile}")["latest"])
        answer = operation.call(web, ours, f"{operation.id} ")
        assert str(answer.status_code) in {one for one in operation.described["responses"] if one < "300"}, answer.text
        told = operation.described["responses"][str(answer.status_code)]["content"][operation.form]["schema"]
        fits(answer.json() if operation.form == "application/json" else answer.text, told)
    assert web.made("GET", f"/v1/profiles/{ours.profile}")["latest"] == 3


def test_the_example_of_a_profile_is_worked_through_without_a_finding_that_stops(web):
    ours = season(web, name="worked ")
    revision = web.made("GET", ours.revision)
    assert revision["state"] == "draft"
    assert revision["content"]["curve"]["form"] == "offset_power"
    assert [one for one in revision["findings"] if one["severity"] == "stop"] == []
    released = web.made("POST", f"{ours.revision}/release", {"reason": "checked on AH-07"}, If_Match='"1"')
    assert (released["state"], released["version"]) == ("released", 2)
    assert web.made("GET", f"/v1/profiles/{ours.profile}")["released"] == 1
