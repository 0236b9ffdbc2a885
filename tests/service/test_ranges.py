"""What is only stored is looked at too: nothing that cannot be is kept."""

import pytest

from tests.scenario import example, season, serving


@pytest.fixture(scope="module")
def web(tmp_path_factory):
    with serving(tmp_path_factory.mktemp("ranges")) as made:
        yield made


@pytest.fixture(scope="module")
def ours(web):
    return season(web)


def mass(value):
    return {"value": value, "unit": "lb"}


def rate(value):
    return {"value": value, "unit": "lb/1000ft2"}


def percent(value):
    return {"value": value, "unit": "%"}


ABOVE = "above 0, at most 1e9 in SI units"
MATERIALS = [
    ({"bag": mass(-50)}, "/bag", ABOVE),
    ({"label_highest_rate": rate(0)}, "/label_highest_rate", ABOVE),
    ({"label_yearly_limit": rate(-1)}, "/label_yearly_limit", ABOVE),
    ({"analysis": {"nitrogen": percent(101)}}, "/analysis/nitrogen", "from 0 to 100 %"),
    ({"analysis": {"nitrogen": percent(60), "potash": percent(50)}}, "/analysis", "100 % together"),
    ({"bulk_density": {"value": 0, "unit": "lb/ft3"}}, "/bulk_density", ABOVE),
]
KINDS = [
    ({"opening_step": percent(300)}, "/opening_step", "above 0, at most 100 %"),
    ({"hopper": mass(0)}, "/hopper", ABOVE),
]


@pytest.mark.parametrize(("path", "operation", "cases"), [
    ("/v1/materials", "addMaterial", MATERIALS), ("/v1/machine-kinds", "addMachineKind", KINDS),
])  # fmt: skip
def test_a_quantity_that_cannot_be_is_refused_by_its_place(web, path, operation, cases):
    for wrong, pointer, allowed in cases:
        stored = web.dump()
        answer = web.send("POST", path, example(operation, f"{pointer} ") | wrong)
        (fault,) = answer.json()["errors"]
        assert (answer.status_code, fault["pointer"], fault["allowed"]) == (422, pointer, allowed)
        assert fault["given"] is not None
        assert web.dump() == stored


@pytest.mark.parametrize(("wrong", "pointer"), [
    ({"conditions": {"hopper_fill": percent(900)}}, "/content/conditions/hopper_fill"),
    ({"label_highest_rate": rate(0)}, "/content/label_highest_rate"),
    ({"passes": [{"name": "a", "purpose": "b", "kind": "edge", "width": {"value": 4, "unit": "ft"},
                  "impeller_speed": {"value": -5, "unit": "rpm"}}]}, "/content/passes/0/impeller_speed"),
    ({"material": {"name": "x", "bag": mass(0)}}, "/content/material/bag"),
])  # fmt: skip
def test_content_with_a_quantity_that_cannot_be_is_refused_by_its_place(web, ours, wrong, pointer):
    body = {"content": {"format": 1, **wrong}}
    for method, path, headers in (
        ("POST", f"/v1/profiles/{ours.profile}/revisions", {}),
        ("PUT", ours.revision, {"If_Match": "*"}),
    ):
        answer = web.send(method, path, body, **headers)
        assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (422, pointer)
