"""HEAD is GET without the body, wherever there is GET."""

import httpx
import pytest

from tests.scenario import MISSING, operations, season, serving
from tests.serving import Serving

READS = [one for one in operations().values() if one.method == "GET"]


@pytest.fixture(scope="module")
def furnished(tmp_path_factory):
    with serving(tmp_path_factory.mktemp("head")) as web:
        yield web, season(web, in_use=True, trial=True)


@pytest.mark.parametrize("operation", READS, ids=[one.id for one in READS])
def test_head_tells_the_headers_of_get_and_no_body(furnished, operation):
    web, ours = furnished
    path = operation.path(ours)
    whole, bare = web.send("GET", path), web.send("HEAD", path)
    assert (bare.status_code, bare.content) == (whole.status_code, b"")
    assert _told(bare) == _told(whole)


def _told(answer):
    return {name: value for name, value in answer.headers.items() if name not in {"request-id", "date"}}


def test_a_problem_has_no_body_either(furnished):
    web, _ = furnished
    answer = web.send("HEAD", f"/v1/materials/{MISSING}")
    assert (answer.status_code, answer.content) == (404, b"")
    assert web.send("HEAD", "/v1/materials", key=None).status_code == 401


def test_what_the_caller_holds_is_not_told_again(furnished):
    web, ours = furnished
    tag = web.send("GET", f"/v1/materials/{ours.material}").headers["etag"]
    assert web.send("HEAD", f"/v1/materials/{ours.material}", If_None_Match=tag).status_code == 304


def test_where_there_is_nothing_to_get_there_is_no_head(furnished):
    web, _ = furnished
    computes = next(one for one in operations().values() if one.computes)
    answer = web.send("HEAD", computes.template)
    assert (answer.status_code, answer.content) == (405, b"")
    assert "HEAD" not in answer.headers["allow"]


def test_over_a_socket_the_next_answer_on_the_connection_is_whole(tmp_path):
    with Serving(tmp_path) as service, httpx.Client(base_url=service.url) as http:
        bare = http.head("/openapi.json")
        whole = http.get("/openapi.json")
    assert bare.content == b""
    assert bare.headers["content-length"] == whole.headers["content-length"] == str(len(whole.content))
