"""Every command: help with an example, JSON for programs, data on standard output, an exit code by kind of failure."""

import contextlib
import io
import json
import re
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

import jsonschema
import msgspec
import pytest

from catchpan import demo
from catchpan.cli import exits
from catchpan.cli.main import app, main
from catchpan.contract.curves import FlowCurveAnswer
from catchpan.contract.materials import MaterialRequest
from catchpan.errors import BY_SLUG
from tests.serving import Serving

DOCUMENT = json.loads((Path(__file__).parents[2] / "openapi" / "catchpan.json").read_text())
GROUPS = (
    "curve",
    "check",
    "gate",
    "amounts",
    "material",
    "machine",
    "correction",
    "machine-kind",
    "profile",
    "organisation",
    "key",
    "branch",
    "calendar",
    "rollout",
    "webhook",
    "fleet",
    "sync",
    "replica",
    "database",
    "audit",
)


def commands():
    """Every command's words."""
    for name in app:
        if name.startswith("-"):
            continue
        if name in GROUPS:
            yield from ((name, one) for one in app[name] if not one.startswith("-"))
        else:
            yield (name,)


class Done(NamedTuple):
    """What a command came to."""

    returncode: int
    stdout: str
    stderr: str


def run(*arguments, folder=".", **environment):
    """Run a command in this process, as a shell would."""
    out, err = io.StringIO(), io.StringIO()
    with (
        contextlib.chdir(folder),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
        pytest.MonkeyPatch.context() as patch,
    ):
        for name, value in environment.items():
            patch.setenv(name, value)
        try:
            main([str(one) for one in arguments])
            code = exits.OK
        except SystemExit as end:
            code = int(end.code or 0)
    return Done(code, out.getvalue(), err.getvalue())


@pytest.fixture
def folder(tmp_path):
    demo.copy_to(tmp_path)
    return tmp_path


@pytest.mark.parametrize("words", list(commands()), ids=" ".join)
def test_every_command_has_help_with_an_example(words, capsys):
    app([*words, "--help"], result_action="return_value")
    told = " ".join(capsys.readouterr().out.split())
    assert f"Example: catchpan {' '.join(words)}" in told


def test_the_commands_of_the_job_are_there():
    wanted = {
        ("demo",), ("serve",), ("curve", "fit"), ("opening",), ("chart",), ("overlap",),
        *(("material", one) for one in ("add", "list", "show")),
        *(("profile", one) for one in ("save", "list", "show", "release", "withdraw", "history", "diff")),
    }  # fmt: skip
    assert wanted <= set(commands())


def schema_of(name):
    return {"$ref": f"#/components/schemas/{name}", "components": DOCUMENT["components"]}


EDGE = ("pans.csv", "--pan-area", "1 ft2", "--passes", "3", "--side", "left", "--pass-spacing", "11 ft")
COVERAGE = ("outline.csv", "--pans", "pans.csv", "--pan-area", "1 ft2", "--passes", "3", "--rate", "3.2 lb/1000ft2",
            "--pass-spacing", "11 ft", "--cell", "1.5 ft")  # fmt: skip
OPENING = ("--rate", "3.2 lb/1000ft2", "--speed", "3.5 mph", "--pass-spacing", "11 ft")


@pytest.mark.parametrize(
    ("arguments", "schema"),
    [
        (("curve", "fit", "catches.csv"), "FlowCurveAnswer"),
        (("opening", "catches.csv", *OPENING), "OpeningAnswer"),
        (("chart", "catches.csv", *OPENING), "ChartAnswer"),
        (("overlap", "pans.csv", "--pan-area", "1 ft2", "--passes", "3"), "OverlapAnswer"),
        (("edge", *EDGE), "EdgeAnswer"),
        (("coverage", *COVERAGE, "--grid"), "CoverageAnswer"),
    ],
    ids=["curve", "opening", "chart", "overlap", "edge", "coverage"],
)
def test_json_is_the_published_answer_and_words_stay_off_standard_output(folder, arguments, schema):
    done = run(*arguments, "--json", folder=folder)
    assert done.returncode == 0, done.stderr
    jsonschema.validate(json.loads(done.stdout), schema_of(schema))
    assert done.stderr == ""


def test_a_fit_is_printed_for_a_technician(folder):
    told = run("curve", "fit", "catches.csv", folder=folder).stdout
    for words in ("catch  opening", "no: pulsing", "Flow curve: offset power", "How sure", "Catch 1 pulsed"):
        assert words in told


def test_an_edge_is_printed_for_a_technician(folder):
    told = run("edge", *EDGE, "--beyond", "water", "--distance", "4 ft", folder=folder).stdout
    for words in (
        "from the edge, the machine's middle",
        "then the first overlapped pass",
        "local rules",
        "lands beyond",
    ):
        assert words in told
    own = run("edge", *EDGE, "--edge-pans", "pans.csv", "--laid-width", "11 ft", folder=folder).stdout
    assert own == run("edge", *EDGE, folder=folder).stdout


def test_a_map_is_printed_for_a_technician(folder):
    told = run("coverage", *COVERAGE, "--headlands", "1", "--heading", "20 deg", folder=folder).stdout
    for words in (
        "2 edge",
        "too little",
        "on: pond",
        "on: rose bed",
        "on: outside the outline",
        "25 to 50",
        "local rules",
    ):
        assert words in told
    (folder / "outline.csv").write_text("ring,x [ft],y [ft]\noutline,0,0\noutline,90,90\noutline,90,0\noutline,0,90\n")
    crossed = run("coverage", *COVERAGE, folder=folder)
    assert crossed.returncode == exits.INPUT
    assert "crosses or touches itself near its point" in crossed.stderr


def test_a_fit_kept_as_json_is_taken_where_a_catch_file_is(folder):
    fitted = run("curve", "fit", "catches.csv", "--json", folder=folder).stdout
    (folder / "fit.json").write_text(fitted)
    (folder / "curve.json").write_bytes(msgspec.json.encode(msgspec.json.decode(fitted, type=FlowCurveAnswer).curve))
    answers = {
        run("opening", name, *OPENING, folder=folder).stdout for name in ("catches.csv", "fit.json", "curve.json")
    }
    assert len(answers) == 1
    assert "Opening   45.5 %" in answers.pop()


def test_answers_come_in_the_units_that_are_asked_for(folder):
    assert "g/m2" in run("opening", "catches.csv", *OPENING, "--units", "si", folder=folder).stdout


def bad(folder, text):
    (folder / "bad.csv").write_text(text)
    return run("curve", "fit", "bad.csv", folder=folder)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("opening [%];mass [lb]\n20;1\n", "separated by semicolons"),
        ('opening [%],mass [lb],duration [s]\n20,"1,7",60\n', "line 2, column 'mass [lb]'"),
        ("opening [%],mass [ft],duration [s]\n20,1.7,60\n", "is a unit of length, not of mass"),
        ("opening [%],mass [lb],duration [s]\n20,1.7,60\n", "two"),
        ("opening [%],mass [lb],duration [s]\n20,1.7,0\n40,3,30\n", "/catches/0/duration"),
        ("opening [%],mass [lb],duration [s],colour\n20,1.7,60,red\n", "column 'colour' is not known"),
    ],
)
def test_a_file_that_cannot_be_read_or_computed_is_named_and_exits_3(folder, text, words):
    done = bad(folder, text)
    assert done.returncode == exits.INPUT
    assert words in done.stderr
    assert done.stdout == ""


def test_exit_codes_tell_kinds_of_failure_apart(folder):
    assert run("opening", folder=folder).returncode == exits.USAGE
    assert run("nothing-like-it", folder=folder).returncode == exits.USAGE
    assert run("material", "show", "none", folder=folder).returncode == exits.NOT_FOUND
    assert run("material", "add", "Hollow", folder=folder).returncode == exits.OK
    assert run("material", "add", "Hollow", folder=folder).returncode == exits.CONFLICT
    silent = run("material", "list", "--server", "http://127.0.0.1:9", "--deadline", "0.5", folder=folder)
    assert silent.returncode == exits.UNREACHABLE


def test_every_kind_of_problem_has_an_exit_code_of_its_own_kind():
    from catchpan.contract.problems import Problem

    def made(slug):
        return BY_SLUG[slug](Problem(type=f"/problems/{slug.value}", title="", status=0, detail=""))

    unknown = {slug.value for slug in BY_SLUG if exits.exit_code(made(slug)) == exits.MISTAKE}
    assert unknown == {"method-not-allowed", "not-acceptable", "wrong-media-type", "internal"}


def test_a_server_is_used_with_the_key_from_a_file_and_never_from_an_option(folder):
    with Serving(folder) as serving:
        asked = {"CATCHPAN_SERVER": serving.url, "CATCHPAN_KEY_FILE": str(folder / "owner.key")}
        assert run("material", "add", "Hollow", folder=folder, **asked).returncode == exits.OK
        assert "Hollow" in run("material", "list", folder=folder, **asked).stdout
        assert run("curve", "fit", "catches.csv", "--server", serving.url, folder=folder).returncode == exits.OK
        refused = run("material", "list", folder=folder, CATCHPAN_SERVER=serving.url, CATCHPAN_KEY="catchpan-wrong")
        assert refused.returncode == exits.ACCESS
        held = run("material", "list", folder=folder, CATCHPAN_DATABASE=str(folder / "x.sqlite"))
        assert held.returncode == exits.UNREACHABLE
        assert "--server" in held.stderr
    assert serving.key not in "".join(serving.said)
    assert run("material", "list", "--key", "x", folder=folder).returncode == exits.USAGE


def test_a_key_file_is_for_its_owner_only(folder):
    run("material", "list", folder=folder)
    made = run("key", "create", "laptop", "--organisation", "Our company", "--file", "laptop.key", folder=folder)
    assert made.returncode == exits.OK
    assert (folder / "laptop.key").stat().st_mode & 0o777 == 0o600
    assert "catchpan-" not in made.stdout + made.stderr


def test_withdrawing_asks_first(folder):
    saved = [
        ("material", "add", "M"), ("machine-kind", "add", "K"),
        ("profile", "save", "--material", "M", "--machine-kind", "K", "--catches", "catches.csv"),
        ("profile", "release", "M on K", "--reason", "caught"),
    ]  # fmt: skip
    for words in saved:
        assert run(*words, folder=folder).returncode == exits.OK
    unasked = run("profile", "withdraw", "M on K", "--reason", "clumps", folder=folder)
    assert unasked.returncode == exits.USAGE
    assert "released" in run("profile", "show", "M on K", folder=folder).stdout
    assert run("profile", "withdraw", "M on K", "--reason", "clumps", "--yes", folder=folder).returncode == exits.OK
    assert "WITHDRAWN" in run("profile", "show", "M on K", folder=folder).stdout


def test_the_demo_names_every_step_of_the_job_and_leaves_its_files(tmp_path):
    place = tmp_path / "a folder"
    done = run("demo", "--folder", place)
    assert done.returncode == 0, done.stderr
    steps = (
        "1. Commission the machines", "2. Plan the catches", "3. Catch and weigh", "4. Fit the flow curve",
        "5. Set the throw", "6. Turn the rate into an opening", "7. Check the spread", "8. Write it down as a profile",
        "Seven in the morning", "PROVISIONAL until", "9. Release it to every branch", "East yard are equal",
        "1 content is damaged", "10. Check it in the field", "correct: one factor mends it", "11. Answer for it",
    )  # fmt: skip
    places = [done.stdout.index(step) for step in steps]
    assert places == sorted(places)
    for caution in ("power off and locked", "wheels chocked", "product label"):
        assert caution in done.stdout
    files = {"catches.csv", "pans.csv", "curve.json", "profile.json", "catchpan.sqlite", "east.bundle", "totals.xlsx"}
    assert files <= {file.name for file in place.iterdir()}


def test_a_restored_database_and_a_new_signing_key_are_told_and_the_chain_still_holds(folder):
    run("organisation", "add", "Our company", folder=folder)
    assert run("audit", "verify", folder=folder).stdout.startswith("Our company: whole")
    assert "epoch" in run("database", "restored", folder=folder).stdout
    rotated = run("database", "rotate-signing-key", "Our company", folder=folder)
    assert re.search(r"[0-9a-f]{64}", rotated.stdout)
    with closing(sqlite3.connect(folder / "catchpan.sqlite")) as connection:
        assert connection.execute("SELECT epoch, position FROM counters").fetchone() == (2, 3)
        connection.execute("UPDATE audit SET operation = 'nothing' WHERE position = 2")
        connection.commit()
    broken = run("audit", "verify", folder=folder)
    assert broken.returncode == exits.NOT_BELIEVED
    assert "position 2: the row was altered" in broken.stdout


def test_a_backup_is_made_while_the_service_works_and_is_whole(folder):
    with Serving(folder) as serving, serving.client() as client:
        client.add_material(MaterialRequest(name="Hollow"))
        there = {"CATCHPAN_DATABASE": str(folder / "x.sqlite")}
        assert run("database", "backup", "copy.sqlite", folder=folder, **there).returncode == exits.OK
        again = run("database", "backup", "copy.sqlite", folder=folder, **there)
        assert (again.returncode, "is there already" in again.stderr) == (exits.INPUT, True)
    (folder / "x.sqlite").unlink()
    (folder / "copy.sqlite").rename(folder / "x.sqlite")
    assert "epoch" in run("database", "restored", folder=folder, **there).stdout
    assert "Hollow" in run("material", "list", folder=folder, **there).stdout
    elsewhere = {"CATCHPAN_DATABASE_URL": "postgresql+psycopg://catchpan@db.example/catchpan"}
    assert "pg_dump" in run("database", "backup", "other.sqlite", folder=folder, **elsewhere).stderr
    assert not list(folder.glob("*.partial"))


def test_old_changes_are_put_away_and_young_ones_stay(folder):
    run("material", "add", "Hollow", folder=folder)
    assert "up to position 0" in run("database", "put-away", folder=folder).stdout
    with closing(sqlite3.connect(folder / "catchpan.sqlite")) as connection:
        connection.execute("UPDATE audit SET at = '2020-01-01 00:00:00.000000' WHERE position = 1")
        connection.commit()
    assert "up to position 1" in run("database", "put-away", "--older-than", "30", folder=folder).stdout
    with closing(sqlite3.connect(folder / "catchpan.sqlite")) as connection:
        assert connection.execute("SELECT min(position) FROM changes").fetchone() == (2,)
    assert run("database", "put-away", "--older-than", "0", folder=folder).returncode == exits.USAGE


@pytest.mark.parametrize("words", [("material", "list"), ("organisation", "list"), ("serve",)], ids=" ".join)
@pytest.mark.parametrize(
    ("name", "said"), [("CATCHPAN_DATBASE", "is CATCHPAN_DATABASE meant?"), ("CATCHPAN_PORT", "cannot be 'x'")]
)
def test_a_setting_that_cannot_be_is_said_by_its_name(words, name, said, tmp_path):
    done = run(*words, folder=tmp_path, **{name: "x"})
    assert (done.returncode, done.stdout) == (exits.INPUT, "")
    assert said in done.stderr
    assert "Traceback" not in done.stderr
