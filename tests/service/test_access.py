"""Who may do what: every operation of the document for every kind of key, and nothing of another organisation."""

import json
import re
import time
from datetime import UTC, datetime, timedelta

import httpx
import pytest
from litestar import get

from catchpan.inprocess import InProcess
from catchpan_service import admin
from catchpan_service.app import create_app
from catchpan_service.keyring import Keyring
from catchpan_service.settings import Settings
from catchpan_service.store import keys
from tests.scenario import MISSING, OURS, Season, example, new_key, operations, season, serving

OPERATIONS = operations()
SECURED = [one for one in OPERATIONS.values() if one.secured]
WITH_SUBJECT = [one for one in SECURED if "{id}" in one.template]
OWNERS_ALONE = {"listKeys", "addKey", "rotateKey", "revokeKey"}
OWNERS_ALONE |= {one.id for one in OPERATIONS.values() if one.template.startswith("/v1/webhooks")}
OF_A_SUBJECT = ("showProfile", "listRevisions", "showRevision", "showRevisionContent", "compareRevisions")
# What is of another branch is not there for a branch.
OTHERWISE = {(one, "branch"): 404 for one in (*OF_A_SUBJECT, "showBranch", "showMachine", "reportReplica")}
OTHERWISE |= {(one.id, "branch"): 404 for one in WITH_SUBJECT if one.template.startswith("/v1/machines/{id}/")}
OF_THE_OFFICE = ("showSyncStatus", "listRollouts", "showRollout", "listRolloutMachines")
OTHERWISE |= {(one, "branch"): 403 for one in OF_THE_OFFICE}
NOW = datetime(2031, 4, 7, 6, tzinfo=UTC)


@pytest.fixture(scope="module")
def web(each_place):
    with serving(each_place, clock=lambda: NOW) as made:
        database = made.app.state.database
        made.keys["expired"] = new_key(made, OURS, "owner", expires=NOW - timedelta(milliseconds=1))
        made.keys["expires now"] = new_key(made, OURS, "owner", expires=NOW)
        made.keys["expires later"] = new_key(made, OURS, "owner", expires=NOW + timedelta(days=1))
        revoked = admin.create_key(database, OURS, "revoked", role="owner")
        admin.revoke_key(database, OURS, revoked.key.id)
        made.keys |= {
            "revoked": revoked.secret,
            "unknown": keys.secret_of(bytes(32)),
            "nonsense": "catchpan-",
            "long": "x" * 5000,
        }
        yield made


@pytest.fixture(scope="module")
def ours(web):
    made = season(web, in_use=True, trial=True)
    assert web.send("GET", f"/v1/calendar.ics?token={made.token}", key=None).is_success  # its use is noted once
    return made


@pytest.fixture(scope="module")
def theirs(web):
    return season(web, key="other owner", in_use=True, trial=True)


def slug(answer):
    return answer.json()["type"].removeprefix("/problems/")


def test_every_operation_but_those_of_the_service_itself_is_secured_or_computes():
    assert {one.id for one in OPERATIONS.values() if not one.secured and not one.computes} == {
        "health", "ready", "showCalendar"
    }  # fmt: skip


@pytest.mark.parametrize("operation", OPERATIONS.values(), ids=OPERATIONS)
def test_without_a_key_only_computations_and_health_are_answered(web, ours, operation):
    stored = web.dump()
    answer = operation.call(web, ours, "no key ", key=None)
    assert web.dump() == stored
    if operation.secured:
        assert (answer.status_code, slug(answer)) == (401, "key-missing")
    else:
        assert answer.status_code == 200


@pytest.mark.parametrize("key", ["unknown", "nonsense", "long", "revoked", "expired", "expires now"])
@pytest.mark.parametrize("operation", OPERATIONS.values(), ids=OPERATIONS)
def test_a_key_that_is_no_longer_or_never_was_one_is_refused_everywhere(web, ours, operation, key):
    stored = web.dump()
    answer = operation.call(web, ours, "bad key ", key=key)
    assert web.dump() == stored
    if operation.secured or operation.computes:
        assert (answer.status_code, slug(answer)) == (401, "key-refused")
    else:
        assert answer.status_code == 200


@pytest.mark.parametrize("header", ["Basic abc", "Bearer", "Bearer ", "bearer a b", "catchpan-AAAA", "", " "])
def test_another_way_to_present_a_key_is_refused(web, header):
    answer = web.http.get("/v1/organisation", headers={"authorization": header})
    assert (answer.status_code, slug(answer)) == (401, "key-refused")


@pytest.mark.parametrize("scheme", ["Bearer", "bearer", "BEARER"])
def test_a_good_key_is_taken_until_it_expires(web, scheme):
    for key in ("owner", "expires later"):
        answer = web.http.get("/v1/organisation", headers={"authorization": f"{scheme} {web.keys[key]}"})
        assert answer.status_code == 200


@pytest.mark.parametrize("role", ["reader", "branch"])
@pytest.mark.parametrize("operation", OPERATIONS.values(), ids=OPERATIONS)
def test_who_may_only_read_reads_and_computes_and_stores_nothing(web, ours, operation, role):
    web.send("GET", "/v1/organisation", key=role)
    stored = web.dump()
    for dry in ("", "?dry_run=true") if operation.writes else ("",):
        answer = web.send(
            operation.method, operation.path(ours) + dry, operation.body(ours, role), key=role, If_Match="*"
        )
        usual = 403 if operation.writes or operation.id in OWNERS_ALONE else 200
        assert answer.status_code == OTHERWISE.get((operation.id, role), usual)
        assert answer.is_success or slug(answer) in {"not-allowed", "not-found"}
    assert web.dump() == stored


@pytest.mark.parametrize("role", ["calibrator", "owner"])
def test_who_may_save_may_do_everything_that_is_in_the_document(web, role):
    ours = season(web, key=role, name=f"{role} ", in_use=True, trial=True)
    for operation in OPERATIONS.values():
        if operation.id == "releaseRevisionProvisionally":
            continue
        answer = operation.call(web, ours, f"{role} {operation.id} ", key=role)
        if role == "calibrator" and operation.id in OWNERS_ALONE:
            assert answer.status_code == 403
        else:
            assert answer.is_success, (operation.id, answer.text)
    web.made("POST", f"/v1/profiles/{ours.profile}/revisions", example("addRevision"), key=role)
    body = example("releaseRevisionProvisionally") | {"branch": ours.branch}
    path = f"/v1/profiles/{ours.profile}/revisions/{{}}/release-provisionally"
    latest = web.made("GET", f"/v1/profiles/{ours.profile}")["latest"]
    assert web.send("POST", path.format(latest), body, key=role, If_Match="*").is_success


def test_only_an_owner_overrides_a_finding_that_stops(web):
    ours = season(web, name="blocked ", drafts=0)
    path = f"/v1/profiles/{ours.profile}/revisions"
    web.made("POST", path, {"content": {"format": 1}})
    reason, override = {"reason": "checked"}, {"reason": "checked", "override": "the curve comes tomorrow"}
    for key, body, status in (
        ("calibrator", reason, 409),
        ("owner", reason, 409),
        ("calibrator", override, 403),
        ("reader", override, 403),
        ("owner", override, 200),
    ):
        answer = web.send("POST", f"{path}/1/release", body, key=key, If_Match='"1"')
        assert answer.status_code == status, answer.text
    assert web.made("GET", f"{path}/1")["override"] == "the curve comes tomorrow"


def test_a_key_is_asked_for_before_anything_else_is_looked_at(web):
    for method, path, body in (
        ("POST", "/v1/materials", b"{"),
        ("POST", "/v1/materials?limt=1", b"{}"),
        ("PUT", f"/v1/materials/{MISSING}", b"{}"),
        ("GET", f"/v1/profiles/{MISSING}/revisions/0", b""),
    ):
        assert web.send(method, path, body, key=None).status_code == 401
        assert web.send(method, path, body, key="revoked").status_code == 401


def test_the_role_is_asked_before_the_state_of_things(web, ours):
    for operation in SECURED:
        if operation.writes:
            nothing = Season(*[MISSING] * 7)
            assert operation.call(web, nothing, "role ", key="reader").status_code == 403


# --- another branch


def released(web, name, **provisionally):
    """A profile with a revision that is in use: everywhere, or at one branch."""
    ours = season(web, name=name)
    how = "release-provisionally" if provisionally else "release"
    body = example("releaseRevision") | provisionally
    web.made("POST", f"{ours.revision}/{how}", body, If_Match="*")
    return ours


def test_a_branch_sees_what_was_ever_for_it_and_nothing_else(web):
    everywhere, drafted = released(web, "seen everywhere "), season(web, name="never seen ")
    here = released(web, "seen here ", branch=web.branch, days=3)
    there = released(web, "seen there ", branch=everywhere.branch, days=3)
    web.made("POST", f"/v1/profiles/{everywhere.profile}/revisions", example("addRevision"))
    for thing, seen in ((everywhere, True), (here, True), (there, False), (drafted, False)):
        for path in (f"/v1/profiles/{thing.profile}", thing.revision, f"{thing.revision}/content"):
            assert web.send("GET", path, key="branch").status_code == (200 if seen else 404)
    listed = web.made("GET", "/v1/profiles?limit=200", key="branch")["items"]
    assert {everywhere.profile, here.profile} <= {one["id"] for one in listed}
    assert not {there.profile, drafted.profile} & {one["id"] for one in listed}
    history = web.made("GET", f"/v1/profiles/{everywhere.profile}/revisions", key="branch")["items"]
    assert [one["number"] for one in history] == [1]
    told = web.made("GET", f"/v1/profiles/{everywhere.profile}", key="branch")
    assert (told["latest"], told["released"]) == (1, 1)


def test_another_branch_is_to_a_branch_as_if_it_were_not_there(web, ours):
    for path in ("/v1/changes", "/v1/head", "/v1/manifest", "/v1/snapshot", "/v1/machines"):
        foreign = web.send("GET", f"{path}?branch={ours.branch}", key="branch")
        missing = web.send("GET", f"{path}?branch={MISSING}", key="branch")
        assert alike(foreign, ours.branch) == alike(missing, MISSING)
        assert alike(missing, MISSING) == alike(web.send("GET", f"{path}?branch={MISSING}"), MISSING)
        assert missing.status_code == 422
        assert web.send("GET", f"{path}?branch={web.branch}", key="branch").status_code == 200
    assert [one["id"] for one in web.made("GET", "/v1/branches", key="branch")["items"]] == [web.branch]


# --- another organisation


def alike(answer, *subjects):
    """An answer without the ids that differ because they were asked for, and without its own id."""
    text = answer.text.replace(answer.headers["request-id"], "REQUEST")
    for subject in subjects:
        text = text.replace(subject, "SUBJECT")
    headers = {name: value for name, value in answer.headers.items() if name not in {"request-id", "content-length"}}
    return answer.status_code, text, headers


@pytest.mark.parametrize("operation", WITH_SUBJECT, ids=lambda one: one.id)
@pytest.mark.parametrize(
    "options",
    [{}, {"If_Match": '"1"'}, {"If_Match": "*", "Idempotency_Key": "foreign"}],
    ids=["plain", "version", "key"],
)
def test_what_belongs_to_another_organisation_is_as_if_it_were_not_there(web, ours, theirs, operation, options):
    nothing = Season(*[MISSING] * 7)
    subjects = [MISSING, theirs.material, theirs.kind, theirs.profile, theirs.branch, theirs.machine, theirs.key]
    subjects += [theirs.correction]
    subjects += [theirs.rollout, theirs.webhook]
    stored = web.dump()
    for body in (operation.body(ours, "foreign "), {"brand_new": 1}):
        sent = [body] if "requestBody" in operation.described else []
        foreign = web.send(operation.method, operation.path(theirs), *sent, **options)
        missing = web.send(operation.method, operation.path(nothing), *sent, **options)
        assert alike(foreign, *subjects) == alike(missing, *subjects)
        if not sent or (body != {"brand_new": 1} and options):
            assert (foreign.status_code, slug(foreign)) == (404, "not-found")
    assert web.dump() == stored


@pytest.mark.parametrize("member", ["material", "machine_kind"])
def test_a_profile_of_what_belongs_to_another_organisation_refers_to_nothing(web, ours, theirs, member):
    subjects = {"material": theirs.material, "machine_kind": theirs.spare_kind}
    body = example("addProfile") | {"material": ours.material, "machine_kind": ours.spare_kind}
    foreign = web.send("POST", "/v1/profiles", body | {member: subjects[member]})
    missing = web.send("POST", "/v1/profiles", body | {member: MISSING})
    assert alike(foreign, subjects[member]) == alike(missing, MISSING)
    assert (foreign.status_code, slug(foreign)) == (422, "unknown-reference")


@pytest.mark.parametrize(
    "path",
    [f"/v1/{name}?limit=200" for name in ("materials", "machine-kinds", "profiles", "branches", "machines")]
    + ["/v1/keys"],
)
def test_a_list_holds_only_what_is_ones_own(web, ours, theirs, path):
    own = {one["id"] for one in web.made("GET", path)["items"]}
    other = {one["id"] for one in web.made("GET", path, key="other owner")["items"]}
    assert own & set(vars(ours).values())
    assert other & set(vars(theirs).values())
    assert not own & other


@pytest.mark.parametrize("path", ["/v1/materials", "/v1/machine-kinds"])
def test_a_cursor_of_another_organisation_is_none(web, theirs, path):
    for number in range(2):
        web.made("POST", path, {"name": f"theirs {number} {path}"}, key="other owner")
    cursor = web.made("GET", f"{path}?limit=1", key="other owner")["next"]
    foreign, nonsense = (web.send("GET", f"{path}?limit=1&after={after}") for after in (cursor, "nonsense"))
    assert alike(foreign) == alike(nonsense)
    assert (foreign.status_code, slug(foreign)) == (422, "unknown-reference")


def test_a_name_of_another_organisation_is_free(web):
    for key in ("owner", "other owner"):
        web.made("POST", "/v1/materials", {"name": "the same name for both"}, key=key)


def test_a_key_says_whose_it_is(web):
    for role in ("owner", "calibrator", "branch", "reader"):
        told = web.made("GET", "/v1/organisation", key=role)
        assert (told["name"], told["role"], told["key_name"]) == (OURS, role, role)
    assert web.made("GET", "/v1/organisation", key="other owner")["name"] != OURS


# --- settings, and the life of a key


def test_computations_ask_for_a_key_where_the_settings_say_so(tmp_path):
    with serving(tmp_path, compute_needs_key=True) as web:
        for operation in OPERATIONS.values():
            if operation.computes:
                nothing = Season(*[MISSING] * 7)
                assert slug(operation.call(web, nothing, key=None)) == "key-missing"
                assert operation.call(web, nothing, key="reader").status_code == 200


def test_work_on_one_machine_needs_no_key_but_takes_no_bad_one(tmp_path):
    app = create_app(Settings(database=str(tmp_path / "local.sqlite"), log_requests=False), local=True)
    with httpx.Client(transport=InProcess(app), base_url="http://local") as http:
        assert http.get("/v1/organisation").json()["role"] == "owner"
        assert http.get("/v1/organisation", headers={"authorization": "Bearer catchpan-no"}).status_code == 401


def test_without_a_database_computations_work_and_a_key_is_refused():
    app = create_app(Settings(log_requests=False), stores=False)
    with httpx.Client(transport=InProcess(app), base_url="http://alone") as http:
        asked = example("computeOpening")
        assert http.post("/v1/compute/opening", json=asked).status_code == 200
        assert http.post("/v1/compute/opening", json=asked, headers={"authorization": "Bearer x"}).status_code == 401
        assert http.get("/v1/organisation").status_code == 401


def test_a_revoked_key_is_refused_within_a_second(tmp_path):
    with serving(tmp_path) as web:
        database = web.app.state.database
        made = admin.create_key(database, OURS, "to be revoked", role="owner")
        for _ in range(3):
            assert web.send("GET", "/v1/organisation", key=made.secret).status_code == 200
        admin.revoke_key(database, OURS, made.key.id)
        began = time.monotonic()
        while web.send("GET", "/v1/organisation", key=made.secret).status_code == 200:
            assert time.monotonic() - began < 1.1
            time.sleep(0.02)


def test_the_use_of_a_key_is_noted_once_an_hour(tmp_path):
    now = [NOW]

    def ticks():
        return (now[0] - NOW).total_seconds()

    with serving(tmp_path, clock=lambda: now[0]) as web:
        web.app.state.keyring = Keyring(ticks)

        def noted():
            listed = admin.list_keys(web.app.state.database, OURS)
            return next(one.last_used for one in listed if one.name == "reader")

        seen = [noted()]
        for minutes in (0, 30, 59, 61, 119, 122):
            now[0] = NOW + timedelta(minutes=minutes)
            web.made("GET", "/v1/organisation", key="reader")
            seen.append(noted())
        minutes_after = [None if one is None else round((one - NOW) / timedelta(minutes=1)) for one in seen]
        assert minutes_after == [None, 0, 0, 0, 61, 61, 122]


# --- what is written down


def test_no_key_is_ever_written_down(tmp_path, capsys):
    with serving(tmp_path, log_requests=True) as web:

        @get("/provoke", sync_to_thread=False)
        def provoke() -> None:
            raise RuntimeError(web.keys["owner"])

        web.app.register(provoke)
        ours = season(web)
        for operation in OPERATIONS.values():
            operation.call(web, ours, operation.id)
        for key in ("owner", "reader", "catchpan-not-a-key-of-anybody"):
            web.send("GET", "/provoke", key=key)
            web.send("GET", f"/v1/materials?key={key}", key=key)
            web.send("GET", f"/v1/{key}", key=key)
            web.send("POST", "/v1/materials", b"{", key=key)
        written, stored = capsys.readouterr(), web.dump()
    for secret in web.keys.values():
        for text in (written.out, written.err, stored):
            assert secret not in text
            assert secret.removeprefix("catchpan-") not in text
        assert keys.hash_of(secret) not in written.err
    assert "Bearer" not in written.err
    assert "catchpan-not-a-key" not in written.err


def test_each_request_is_one_line_that_its_answer_names(tmp_path, capsys):
    with serving(tmp_path, log_requests=True) as web:
        capsys.readouterr()
        answers = [
            web.send("GET", "/v1/organisation"),
            web.send("GET", "/v1/organisation", key=None),
            web.send("GET", "/v1/nothing"),
            web.send("OPTIONS", "/v1/materials", key=None),
            web.send("DELETE", "/v1/materials"),
        ]
        lines = [json.loads(line) for line in capsys.readouterr().err.splitlines()]
        organisation = answers[0].json()["id"]
    assert [line["id"] for line in lines] == [answer.headers["request-id"] for answer in answers]
    assert [line["status"] for line in lines] == [200, 401, 404, 204, 405]
    assert [line["operation"] for line in lines][:3] == ["showOrganisation", "showOrganisation", "GET ?"]
    assert [line["organisation"] for line in lines][:3] == [organisation, None, None]
    assert all(line["ms"] >= 0 for line in lines)
    assert all(re.fullmatch(r"[0-9a-f-]{36}", line["id"]) for line in lines)
