"""Nothing is lost and nothing is done twice: If-Match, Idempotency-Key and dry_run, over HTTP."""

import asyncio
import random
from uuid import UUID

import httpx
import pytest

from catchpan_service import admin
from catchpan_service.store import deliveries, webhooks
from catchpan_service.store.database import Order
from tests.scenario import MISSING, NOTHING, OURS, Season, example, operations, season, serving

WRITES = [one for one in operations().values() if one.writes]
KEYED = [one for one in WRITES if "Idempotency-Key" in one.parameters]
CONDITIONAL = [one for one in WRITES if "If-Match" in one.parameters]


@pytest.fixture(scope="module")
def web(each_place):
    with serving(each_place) as made:
        yield made


@pytest.fixture(scope="module")
def fresh(web):
    """Makes a new season for each test, with the draft at version 2, the material and the machine kind too."""
    made, last = 0, MISSING

    def make():
        nonlocal made, last
        made += 1
        web.send("POST", f"/v1/webhooks/{last}/end")  # of those there can be a few only
        ours = season(web, name=f"{made} ", in_use=True, trial=True)
        again = example("addRevision") | {"note": "once more"}
        for path, body in (
            (f"/v1/materials/{ours.material}", example("addMaterial", f"{made} ") | {"note": "once more"}),
            (f"/v1/machine-kinds/{ours.kind}", example("addMachineKind", f"{made} ") | {"note": "once more"}),
            (f"/v1/branches/{ours.branch}", example("addBranch", f"{made} ") | {"note": "once more"}),
            (
                f"/v1/machines/{ours.machine}",
                operations()["replaceMachine"].body(ours, f"{made} ") | {"note": "once more"},
            ),
            (ours.revision, again),
        ):
            assert web.made("PUT", path, body, If_Match='"1"')["version"] == 2
        held = web.made("POST", f"/v1/rollouts/{ours.rollout}/hold", example("holdRollout"), If_Match='"1"')
        assert held["version"] == 2
        last = ours.webhook
        return ours

    return make


@pytest.fixture(scope="module")
def standing(fresh):
    """One season for all that is refused, since nothing of it may change."""
    return fresh()


def answer_of(answer):
    """What of an answer must be the same when it is given again."""
    return answer.status_code, answer.content, answer.headers.get("etag"), answer.headers.get("location")


def at_once(web, **headers):
    """A client that can send many requests at a time to an app that is started already."""
    transport = httpx.ASGITransport(web.app, raise_app_exceptions=False)
    headers["authorization"] = f"Bearer {web.keys['owner']}"
    return httpx.AsyncClient(transport=transport, base_url="http://at-once", headers=headers)


# Another value, where there is no text to change.
OTHERS = {
    "putTogether": {"items": []},
    "putEach": {"items": []},
    "rotateKey": {"overlap_hours": 3},
    "reportReplica": {"position": 13},
    "reportRunning": {"by": "somebody else"},
    "addWebhook": {"events": []},
    "rotateWebhook": {"secret": f"whsec_{'C' * 32}"},
}

# --- If-Match

MATRIX = {
    "the current version": ('"2"', 200),
    "an earlier version": ('"1"', 412),
    "a later version": ('"3"', 412),
    "any version": ("*", 200),
    "a weak tag, which never matches": ('W/"2"', 412),
    "a list with the current version": ('"7", "2"', 200),
    "a list with a weak and a strong tag": ('W/"7","2"', 200),
    "a list without it": ('"7", "8"', 412),
    "a list of weak tags": ('W/"2", W/"1"', 412),
    "nothing": (None, 428),
    "no quotes": ("2", 400),
    "some text": ('"two"', 400),
    "an empty one": ("", 400),
    "an open list": ('"2",', 400),
}


@pytest.mark.parametrize("operation", CONDITIONAL, ids=lambda one: one.id)
@pytest.mark.parametrize("what", MATRIX)
def test_a_change_wants_the_version_that_was_read(web, fresh, standing, operation, what):
    header, status = MATRIX[what]
    ours = fresh() if status == 200 else standing
    headers = {} if header is None else {"If_Match": header}
    before = web.dump()
    answer = web.send(operation.method, operation.path(ours), operation.body(ours, f"{what} "), **headers)
    assert answer.status_code == status, answer.text
    if status == 200:
        assert (answer.headers["etag"], answer.json()["version"]) == ('"3"', 3)
        assert web.dump() != before
    else:
        assert web.dump() == before


@pytest.mark.parametrize("operation", CONDITIONAL, ids=lambda one: one.id)
@pytest.mark.parametrize("header", ['"1"', "*"])
def test_what_is_not_there_is_not_found_whatever_version_is_asked_for(web, operation, header):
    nothing = Season(*[MISSING] * 7)
    assert operation.call(web, nothing, "gone ", If_Match=header).status_code == 404


@pytest.mark.parametrize("operation", CONDITIONAL, ids=lambda one: one.id)
def test_who_comes_second_is_told_what_is_there_now(web, standing, operation):
    ours = standing
    path = operation.path(ours)
    for move in ("release", "release-provisionally", "withdraw", "hold", "resume", "undo"):
        path = path.removesuffix(f"/{move}")
    now = web.made("GET", path)
    answer = web.send(operation.method, operation.path(ours), operation.body(ours, "second "), If_Match='"1"')
    assert answer.status_code == 412
    assert answer.headers["etag"] == web.send("GET", path).headers["etag"] == '"2"'
    assert answer.json()["current"] == {name: value for name, value in now.items() if name != "content"}


@pytest.mark.parametrize(
    "path", ["/v1/materials/{material}", "/v1/machine-kinds/{kind}", "/v1/profiles/{profile}", "{revision}"]
)
def test_what_is_held_already_is_not_sent_again(web, standing, path):
    path = path.format(**vars(standing), revision=standing.revision)
    tag = web.send("GET", path).headers["etag"]
    for header in (tag, f"W/{tag}", f'"77", {tag}', "*"):
        answer = web.send("GET", path, If_None_Match=header)
        assert (answer.status_code, answer.content, answer.headers["etag"]) == (304, b"", tag)
    assert web.send("GET", path, If_None_Match='"77"').status_code == 200


def test_content_is_held_by_its_digest(web, standing):
    path = f"{standing.revision}/content"
    answer = web.send("GET", path)
    assert answer.headers["etag"].strip('"').startswith("sha256:")
    assert web.send("GET", path, If_None_Match=answer.headers["etag"]).status_code == 304


@pytest.mark.parametrize("operation", CONDITIONAL, ids=lambda one: one.id)
def test_of_a_hundred_racers_one_wins(tmp_path, operation):
    async def race(web, ours):
        async with at_once(web, **{"if-match": '"1"'} | held(web, ours, operation)) as http:
            bodies = [operation.body(ours, f"racer {number} ") for number in range(100)]
            runs = [http.request(operation.method, operation.path(ours), json=body) for body in bodies]
            return [answer.status_code for answer in await asyncio.gather(*runs)]

    with serving(tmp_path) as web:
        statuses = asyncio.run(race(web, season(web, in_use=True, trial=True)))
    assert sorted(statuses) == [200] + [412] * 99


# --- Idempotency-Key


@pytest.mark.parametrize("operation", KEYED, ids=lambda one: one.id)
def test_the_same_request_with_the_same_key_gets_the_same_answer_and_has_no_second_effect(web, fresh, operation):
    ours, key = fresh(), f"{operation.id}-once"
    body, headers = operation.body(ours, f"keyed {operation.id} "), {"If_Match": "*", "Idempotency_Key": key}
    first = web.send(operation.method, operation.path(ours), body, **headers)
    assert first.is_success, first.text
    stored = web.dump()
    for _ in range(3):
        assert answer_of(web.send(operation.method, operation.path(ours), body, **headers)) == answer_of(first)
    assert web.dump() == stored


@pytest.mark.parametrize("operation", [one for one in KEYED if one.example is not NOTHING], ids=lambda one: one.id)
def test_a_key_goes_with_one_body_only(web, fresh, operation):
    ours, key = fresh(), f"{operation.id}-mine"
    body = operation.body(ours, f"mine {operation.id} ")
    assert web.send(operation.method, operation.path(ours), body, If_Match="*", Idempotency_Key=key).is_success
    stored = web.dump()
    said = next((name for name in ("reason", "note", "name") if name in body), None)
    other = body | ({said: "something else"} if said else OTHERS[operation.id])
    answer = web.send(operation.method, operation.path(ours), other, If_Match="*", Idempotency_Key=key)
    assert (answer.status_code, answer.json()["type"]) == (422, "/problems/key-reused")
    assert web.dump() == stored


def test_a_key_goes_with_one_path_only(web):
    body = {"name": "one name for both"}
    web.made("POST", "/v1/materials", body, Idempotency_Key="one-path")
    answer = web.send("POST", "/v1/machine-kinds", body, Idempotency_Key="one-path")
    assert (answer.status_code, answer.json()["type"]) == (422, "/problems/key-reused")


def test_two_organisations_may_choose_the_same_key(web):
    ours = web.made("POST", "/v1/materials", {"name": "the same key"}, Idempotency_Key="both")
    theirs = web.made("POST", "/v1/materials", {"name": "the same key"}, key="other owner", Idempotency_Key="both")
    assert ours["id"] != theirs["id"]
    everything = web.made("GET", "/v1/materials?limit=200")["items"]
    assert theirs["id"] not in {one["id"] for one in everything}


def test_a_refused_request_leaves_its_key_free(web):
    headers = {"Idempotency_Key": "second-try"}
    web.made("POST", "/v1/materials", {"name": "taken"})
    assert web.send("POST", "/v1/materials", {"name": "taken"}, **headers).status_code == 409
    assert web.send("POST", "/v1/materials", {"name": ""}, **headers).status_code == 400
    assert web.send("POST", "/v1/materials", {"name": "free"}, **headers).status_code == 201


def test_a_key_is_remembered_by_the_database_and_not_by_the_process(tmp_path):
    request = ("POST", "/v1/materials", {"name": "kept"})
    with serving(tmp_path) as web:
        secret = web.keys["owner"]
        first = web.send(*request, Idempotency_Key="kept")
    with serving(tmp_path, found=False) as web:
        assert answer_of(web.send(*request, key=secret, Idempotency_Key="kept")) == answer_of(first)
        assert len(web.made("GET", "/v1/materials", key=secret)["items"]) == 1


def test_fifty_at_once_with_one_key_have_one_effect(tmp_path):
    async def repeat(web):
        async with at_once(web, **{"idempotency-key": "at-once"}) as http:
            answers = await asyncio.gather(*[http.post("/v1/materials", json={"name": "at once"}) for _ in range(50)])
            return {answer_of(answer) for answer in answers}, (await http.get("/v1/materials")).json()["items"]

    with serving(tmp_path) as web:
        answers, stored = asyncio.run(repeat(web))
    assert len(answers) == len(stored) == 1


# --- dry_run


STAMPS = {
    "id", "created", "changed", "released", "check_due", "withdrawn", "revoked", "valid_until", "recorded", "made", "ended", "struck",
    "received", "since", "both_until", "next_attempt",
}  # fmt: skip


def held(web, ours, operation):
    """A rollout can be resumed only when it was held, which makes a version of it."""
    if operation.id != "resumeRollout":
        return {}
    web.made("POST", f"/v1/rollouts/{ours.rollout}/hold", example("holdRollout"), If_Match='"1"')
    return {"if-match": '"2"'}


def let_a_move_be_due(web, ours):
    """A rollout whose revision was withdrawn is over at the next look."""
    path = f"/v1/profiles/{ours.trial}/revisions/1/withdraw"
    web.made("POST", path, example("withdrawRevision"), If_Match="*")


def let_its_receiver_be_gone(web, ours):
    """Only a webhook that was disabled has something to resume."""
    database, asking = web.app.state.database, admin.administrator(web.app.state.database, OURS)
    taken = deliveries.Taken(UUID(MISSING), UUID(ours.webhook), "", b"", (), 1)
    database.write_now(webhooks.hear, Order(asking, "test"), [deliveries.Outcome(taken, 410, "gone", gone=True)])


def without_stamps(document):
    """An answer without the ids and the instants that each write makes anew."""
    return {
        name: without_stamps(value) if isinstance(value, dict) else value
        for name, value in document.items()
        if name not in STAMPS
    }


def alike(document):
    """What of an answer a dry run tells as the real one: of a list, what it holds."""
    items = document.get("items")
    return without_stamps(document) if items is None else [without_stamps(one) for one in items]


@pytest.mark.parametrize("operation", WRITES, ids=lambda one: one.id)
def test_a_dry_run_answers_as_the_real_one_and_changes_nothing(web, fresh, operation):
    ours = fresh()
    body, headers = operation.body(ours, f"dry {operation.id} "), {"If_Match": "*"} if operation in CONDITIONAL else {}
    if operation.id == "advanceRollouts":
        let_a_move_be_due(web, ours)
    if operation.id == "resumeWebhook":
        let_its_receiver_be_gone(web, ours)
    stored = web.dump()
    dry = web.send(operation.method, f"{operation.path(ours)}?dry_run=true", body, **headers)
    assert web.dump() == stored
    real = web.send(operation.method, operation.path(ours), body, **headers)
    assert web.dump() != stored
    assert (dry.status_code, dry.headers.get("etag")) == (real.status_code, real.headers.get("etag"))
    assert alike(dry.json()) == alike(real.json())


def test_a_dry_run_uses_no_key_up(web):
    request = ("POST", "/v1/materials?dry_run=true", {"name": "dry key"})
    assert web.send(*request, Idempotency_Key="dry").status_code == 201
    assert web.send("POST", "/v1/materials", {"name": "another body"}, Idempotency_Key="dry").status_code == 201


def test_every_write_can_be_tried_dry():
    assert all("dry_run" in one.parameters for one in WRITES)
    assert {one.method for one in WRITES} == {"POST", "PUT"}
    assert all("Idempotency-Key" in one.parameters for one in WRITES)
    assert all("If-Match" in one.parameters for one in WRITES if one.method == "PUT")


@pytest.mark.parametrize("count", [150, pytest.param(1000, marks=pytest.mark.long)])
def test_writes_of_any_kind_answer_dry_as_they_do_really(tmp_path, count):
    draw = random.Random(20310407)
    seen = set()
    with serving(tmp_path) as web:
        for key in ("owner", "reader"):
            web.made("GET", "/v1/organisation", key=key)
        seasons = [season(web, name=f"{number} ") for number in range(3)]
        for _ in range(count):
            operation, ours = draw.choice(WRITES), draw.choice([*seasons, Season(*[MISSING] * 7)])
            path, body = operation.path(ours), spoilt(draw, operation.body(ours, f"{draw.randrange(40)} "))
            headers = {
                "key": draw.choice(["owner"] * 9 + ["reader"]),
                "If_Match": draw.choice(["*", "*", '"1"', '"2"', '"9"']),
            }
            stored = web.dump()
            dry = web.send(operation.method, f"{path}?dry_run=true", body, **headers)
            assert web.dump() == stored
            real = web.send(operation.method, path, body, **headers)
            assert dry.status_code == real.status_code, (dry.text, real.text)
            seen.add(real.status_code)
    assert seen >= {200, 201, 400, 403, 404, 409, 412, 422}


def spoilt(draw, body):
    """A body as it is, or with something wrong in it."""
    if body is NOTHING:
        return body
    return body | draw.choice(
        [{}] * 6 + [{"brand_new": 1}, {"name": ""}, {"reason": " "}, {"material": MISSING}, {"parent": 99}]
    )
