"""The service on PostgreSQL, over HTTP: several processes as one, a database that goes away, keys and organisations."""

import signal
import time
from concurrent.futures import ThreadPoolExecutor

import httpx
import pytest
from sqlalchemy import text

from catchpan.cli.main import main
from catchpan.contract.problems import Slug
from tests.postgresql import cut_off
from tests.scenario import MISSING, OURS, Season, is_problem, operations, season, serving
from tests.serving import Serving
from tests.store.places import server_place

OPERATIONS = operations()


@pytest.fixture
def place(server, template):
    name = server.add(template)
    yield server_place(server, name)
    server.drop(name)


@pytest.fixture
def web(place):
    with serving(place) as made:
        yield made


def test_an_owner_may_do_everything_that_is_in_the_document(web):
    ours = season(web, in_use=True, trial=True)
    for operation in OPERATIONS.values():
        answer = operation.call(web, ours, f"{operation.id} ")
        assert answer.is_success, (operation.id, answer.text)


def test_what_belongs_to_another_organisation_is_as_if_it_were_not_there(web):
    theirs, nothing = season(web, key="other owner"), Season(*[MISSING] * 7)
    web.made("GET", "/v1/materials")  # the use of the key is noted now
    stored = web.dump()
    for operation in OPERATIONS.values():
        if operation.secured and "{" in operation.template:
            foreign, missing = (operation.call(web, one, "foreign ") for one in (theirs, nothing))
            assert foreign.status_code == missing.status_code == 404
            assert is_problem(foreign, Slug.NOT_FOUND).title == is_problem(missing, Slug.NOT_FOUND).title
    assert web.made("GET", "/v1/materials")["items"] == []
    assert web.made("GET", "/v1/profiles")["items"] == []
    assert web.dump() == stored


def test_pages_hold_every_material_once_while_others_add_more(web):
    before = [web.made("POST", "/v1/materials", {"name": f"Lot {n}"})["id"] for n in range(23)]
    seen, path = [], "/v1/materials?limit=5"
    while path:
        answer = web.send("GET", path)
        seen += [item["id"] for item in answer.json()["items"]]
        web.made("POST", "/v1/materials", {"name": f"Meanwhile {len(seen)}"})
        path = answer.links.get("next", {}).get("url") if len(seen) < 60 else None
    assert len(seen) == len(set(seen))
    assert set(before) <= set(seen)


def test_a_database_that_is_gone_is_told_with_a_time_to_come_back_and_works_then(web, server, place):
    web.made("POST", "/v1/materials", {"name": "Before"})
    with cut_off(server, place.place.database):
        for method, path, body in (("GET", "/v1/materials", {}), ("POST", "/v1/materials", {"name": "Lost"})):
            for _ in range(2):
                answer = web.send(method, path, *([body] if body else []))
                is_problem(answer, Slug.STORAGE)
                assert int(answer.headers["retry-after"]) > 0
                assert not any(word in answer.text for word in ("catchpan_test", "socket", "psycopg", "FATAL"))
        is_problem(web.send("GET", "/readyz", key=None), Slug.STORAGE)
        assert web.send("GET", "/healthz", key=None).status_code == 200
    assert web.send("GET", "/readyz", key=None).status_code == 200
    web.made("POST", "/v1/materials", {"name": "After"})
    assert {item["name"] for item in web.made("GET", "/v1/materials")["items"]} == {"Before", "After"}


@pytest.fixture
def two(place, tmp_path):
    """Two processes on one database, and the key that the first of them made."""
    folders = [tmp_path / one for one in ("one", "two")]
    for folder in folders:
        folder.mkdir()
    with (
        Serving(folders[0], CATCHPAN_DATABASE_URL=place.location) as first,
        Serving(folders[1], CATCHPAN_DATABASE_URL=place.location) as second,
    ):
        yield first, second


def wait_for(happened, seconds=30):
    ends = time.monotonic() + seconds
    while not happened():
        assert time.monotonic() < ends
        time.sleep(0.005)


def post(serving, key, path, body, **headers):
    sent = {"authorization": f"Bearer {key}"} | headers
    return httpx.post(serving.url + path, json=body, headers=sent, timeout=30)


def test_two_processes_on_one_database_are_one_service_until_one_is_killed_and_the_other_stopped(two, place):
    first, second = two
    assert "catchpan_test:***@" in "".join(first.said)
    assert "catchpan_test:catchpan_test" not in "".join(first.said + second.said)
    assert not (second.folder / "owner.key").exists()
    with ThreadPoolExecutor(8) as threads:

        def save(n):
            once = {"idempotency-key": f"key {n // 4}".replace(" ", "-")}
            return post(two[n % 2], first.key, "/v1/materials", {"name": f"Lot {n // 4}"}, **once)

        answers = list(threads.map(save, range(80)))
        assert {answer.status_code for answer in answers} == {201}
        assert len({answer.content for answer in answers}) == 20
        contested = answers[0].json()["id"]

        def race(n):
            headers = {"authorization": f"Bearer {first.key}", "if-match": '"1"'}
            body = {"name": "Contested", "note": f"racer {n}"}
            return httpx.put(f"{two[n % 2].url}/v1/materials/{contested}", json=body, headers=headers).status_code

        assert sorted(threads.map(race, range(20))) == [200] + [412] * 19
    (counted,) = place.rows("SELECT (SELECT position FROM counters), (SELECT count(*) FROM audit)")
    assert counted == (2 + 20 + 1, 2 + 20 + 1)

    one_is_killed_and_the_other_told_to_stop(first, second, place)


def one_is_killed_and_the_other_told_to_stop(first, second, place):
    acknowledged = []

    def save(serving, who):
        for n in range(100):
            try:
                answer = post(serving, first.key, "/v1/materials", {"name": f"{who} {n}"})
            except httpx.TransportError:
                return
            if answer.status_code == 201:
                acknowledged.append(answer.json()["name"])

    with ThreadPoolExecutor(8) as threads:
        writers = [threads.submit(save, (first, second)[who % 2], who) for who in range(8)]
        wait_for(lambda: len(acknowledged) >= 60)
        first.kill()
        wait_for(lambda: len(acknowledged) >= 150)
        second.process.terminate()
        assert second.process.wait(20) in {0, -signal.SIGTERM}
        for writer in writers:
            writer.result()
    stored = {name for (name,) in place.rows("SELECT name FROM materials")}
    assert set(acknowledged) <= stored
    (counted,) = place.rows("SELECT (SELECT position FROM counters), (SELECT count(*) FROM audit)")
    assert counted == (3 + len(stored), 3 + len(stored))


@pytest.fixture
def command(place, monkeypatch, capsys):
    """Runs a command in this process, as a shell would: exit code, standard output, standard error."""
    monkeypatch.setenv("CATCHPAN_DATABASE_URL", place.location)

    def run(*words):
        capsys.readouterr()
        try:
            main(words)
        except SystemExit as stopped:
            return stopped.code, *capsys.readouterr()
        return 0, *capsys.readouterr()

    return run


def test_organisations_and_keys_are_made_on_the_server_and_work_there_at_once(server, place, command):
    assert command("organisation", "add", OURS)[0] == 0
    _, _, told = command("key", "create", "office", "--organisation", OURS, "--role", "owner")
    secret = told.split()[-1]
    assert OURS in command("organisation", "list")[1]
    with serving(place, found=False) as web:
        assert web.made("GET", "/v1/organisation", key=secret)["name"] == OURS
    with cut_off(server, place.place.database):
        code, _, told = command("organisation", "list")
    assert (code, "does not answer" in told) == (7, True)


def test_a_server_with_a_role_that_passes_the_fence_is_not_served(place, command):
    with place.outside.connect() as connection:
        connection.execute(text("ALTER ROLE catchpan_tenant BYPASSRLS"))
        try:
            code, _, told = command("serve", "--port", "0")
        finally:
            connection.execute(text("ALTER ROLE catchpan_tenant NOBYPASSRLS"))
    assert code == 1
    assert told.strip().endswith("a superuser or passes row-level security.")


@pytest.mark.parametrize(
    ("words", "said", "code"),
    [
        (("--database-url", "mysql://h/d"), "cannot be used here: mysql", 3),
        (("--database-url", "postgresql+psycopg://u@/x?host=/nowhere"), "does not answer", 7),
        (("--database-url", "postgresql://h/d", "--database", "x.sqlite"), "give one of them", 3),
    ],
)
def test_an_address_that_does_not_work_is_said_in_one_sentence(command, words, said, code):
    found, _, told = command("serve", "--port", "0", *words)
    assert (found, said in told) == (code, True), told


def test_a_file_on_the_command_line_goes_before_a_server_in_the_environment(place, tmp_path):
    with Serving(tmp_path, CATCHPAN_DATABASE_URL=place.location, options=("--database", "here.sqlite")) as started:
        assert "here.sqlite" in "".join(started.said)
    assert (tmp_path / "here.sqlite").exists()
    assert place.rows("SELECT count(*) FROM organisations") == [(0,)]
