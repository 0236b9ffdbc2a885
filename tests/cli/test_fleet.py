"""``catchpan fleet``: a fleet from files and to files, on a database of this machine and on a server."""

import json
import sqlite3
from contextlib import closing

import jsonschema
import msgspec
import pytest

from catchpan import Catchpan, demo
from catchpan.cli import exits
from catchpan.contract.bulk import BulkItem
from catchpan_service.examples import fleet
from catchpan_service.local import open_app
from tests.cli.test_commands import run, schema_of
from tests.serving import Serving

FILES = {
    "branches.csv": 'name,tags,note\nNorth yard,"ice, lawns",=1+1\nSouth yard,,\n',
    "machine_kinds.csv": "name,hopper\nRide-on 120,4 lb 6 oz\n",
    "materials.csv": "name,bag [lb]\nHollow Green 24-0-11,50\n",
    "machines.csv": "name,branch,machine kind\nAH-07,North yard,Ride-on 120\nAH-08,South yard,Ride-on 120\n",
    "commissionings.csv": "machine,done,by,gate 1 closed,gate 1 open\nAH-07,2026-03-02T09:30:00Z,R. Example,212,905\n",
}


@pytest.fixture
def folder(tmp_path):
    demo.copy_to(tmp_path)
    for name, text in FILES.items():
        (tmp_path / name).write_text(text)
    return tmp_path


def stored(folder):
    """Every row of the database but answers that are remembered for who asks again."""
    with closing(sqlite3.connect(folder / "catchpan.sqlite")) as connection:
        return [line for line in connection.iterdump() if not line.startswith('INSERT INTO "idempotency"')]


def imported(folder, *words):
    done = run("fleet", "import", *words, folder=folder)
    assert done.returncode == 0, done.stderr
    return done.stdout


def in_use(folder):
    """A profile with catches that everybody uses."""
    for words in (
        ("profile", "save", "--material", "Hollow Green 24-0-11", "--machine-kind", "Ride-on 120", "--catches",
         "catches.csv"),
        ("profile", "release", "Hollow Green 24-0-11 on Ride-on 120", "--reason", "caught"),
    ):  # fmt: skip
        assert run(*words, folder=folder).returncode == 0


def test_a_dry_run_says_what_would_be_and_a_real_one_does_it(folder):
    run("material", "list", folder=folder)
    before = stored(folder)
    dry = imported(folder, *FILES, "--dry-run")
    assert stored(folder) == before
    assert imported(folder, *FILES) == dry
    assert stored(folder) != before
    assert "machines            2" in dry
    assert "AH-08" in run("machine", "list", folder=folder).stdout


@pytest.mark.parametrize("place", ["out", "out.xlsx"])
def test_an_import_of_an_export_changes_nothing_and_exports_the_same(folder, place):
    imported(folder, *FILES)
    whole = {"machine": "AH-08", "record": fleet.COMMISSIONING}
    app = open_app({"CATCHPAN_DATABASE": str(folder / "catchpan.sqlite")}, stores=True)
    with Catchpan.in_process(app) as client:
        client.bulk([msgspec.convert({"commissioning": whole}, BulkItem)])
    in_use(folder)
    for name in (place, f"again {place}"):
        assert run("fleet", "export", name, folder=folder).returncode == 0
        before = stored(folder)
        told = imported(folder, name)
        assert stored(folder) == before
        assert "the catches are there already" in told
        assert [line.split()[-4:-2] for line in told.splitlines()[1:6]] == [["0", "0"]] * 5
    first, second = folder / place, folder / f"again {place}"
    files = list(first.iterdir()) if first.is_dir() else [first]
    for one in files:
        assert (second / one.name if first.is_dir() else second).read_bytes() == one.read_bytes()


def test_a_fleet_goes_whole_from_one_company_to_another(folder):
    imported(folder, *FILES)
    assert run("fleet", "export", "out", folder=folder).returncode == 0
    other = {"CATCHPAN_DATABASE": "other.sqlite", "CATCHPAN_ORGANISATION": "Quarry Lane Turf"}
    assert run("fleet", "import", "out", folder=folder, **other).returncode == 0
    assert run("fleet", "export", "theirs", folder=folder, **other).returncode == 0
    for one in (folder / "out").iterdir():
        assert (folder / "theirs" / one.name).read_bytes() == one.read_bytes()


def test_everything_that_is_wrong_is_told_and_nothing_is_stored(folder):
    imported(folder, "branches.csv", "machine_kinds.csv")
    lines = [f"M{n},North yard,Ride-on 120" for n in range(2000)]
    lines[17], lines[31] = "M17,Nowhere,Ride-on 120", ",North yard,Ride-on 120"
    (folder / "machines.csv").write_text("\n".join(["name,branch,machine kind", *lines]))
    before = stored(folder)
    for words in ((), ("--dry-run",)):
        done = run("fleet", "import", "machines.csv", *words, folder=folder)
        assert (done.returncode, done.stdout) == (exits.INPUT, "")
        told = [line.strip() for line in done.stderr.splitlines()]
        assert told[0] == "catchpan: nothing was stored; 2 to mend:"
        assert told[1] == "machines.csv, line 33, column 'name': every line needs it"
        assert told[2].startswith("machines.csv, line 19, column 'branch': There is no branch Nowhere.")
        assert len(told) == 3
        assert stored(folder) == before


def test_line_by_line_the_good_ones_are_stored_whatever_is_wrong_with_others(folder):
    imported(folder, "branches.csv", "machine_kinds.csv")
    (folder / "machines.csv").write_text("name,branch,machine kind\nA,Nowhere,Ride-on 120\nB,North yard,Ride-on 120\n")
    done = run("fleet", "import", "machines.csv", "--per-item", "--json", folder=folder)
    assert done.returncode == exits.INPUT
    assert "line 2, column 'branch'" in done.stderr
    jsonschema.validate(json.loads(done.stdout), schema_of("BulkAnswers"))
    assert [one["problem"] is None for one in json.loads(done.stdout)["items"]] == [False, True]
    assert run("machine", "list", folder=folder).stdout.count("Ride-on 120") == 1


def test_catches_of_a_file_become_a_new_draft(folder):
    imported(folder, *FILES)
    in_use(folder)
    name = "Hollow Green 24-0-11 on Ride-on 120"
    text = f"profile,opening [%],duration [s],mass [lb]\n{name},20,60,1.72\n{name},38,30,3.9\n{name},60,20,"
    (folder / "catches").mkdir()
    file = folder / "catches" / "catches.csv"
    file.write_text(text + "5.7\n")
    before = stored(folder)
    assert f"{name}: catches in draft 2" in imported(folder, "catches", "--dry-run")
    assert stored(folder) == before
    imported(folder, "catches")
    assert "already" in imported(folder, "catches")
    assert "draft" in run("profile", "history", name, folder=folder).stdout
    before = stored(folder)
    for last, why in (("-5.7\n", "line 4, column 'mass [lb]'"), ("5.7\nNone,20,60,1\n", "no profile 'None'")):
        file.write_text(text + last)
        done = run("fleet", "import", "catches", folder=folder)
        assert done.returncode == exits.INPUT
        assert why in done.stderr
        assert stored(folder) == before


def test_templates_are_there_in_either_form_and_import_as_nothing(folder):
    for place in ("empty", "empty.xlsx"):
        assert run("fleet", "template", place, folder=folder).returncode == 0
        assert imported(folder, place).split() == ["added", "changed", "unchanged", "refused"]


def test_without_files_there_is_nothing_to_import(folder):
    assert run("fleet", "import", folder=folder).returncode == exits.INPUT


def test_a_server_takes_a_fleet_too(folder):
    with Serving(folder) as serving:
        asked = {"CATCHPAN_SERVER": serving.url, "CATCHPAN_KEY_FILE": str(folder / "owner.key")}
        assert run("fleet", "import", *FILES, folder=folder, **asked).returncode == 0
        with Catchpan(serving.url, key=serving.key) as client:
            assert [one.name for one in client.all_machines()] == ["AH-07", "AH-08"]
