"""``catchpan machine``: found with a gauge, and told what it is to be set to."""

import json

import pytest

from catchpan import demo
from catchpan.cli import exits
from tests.cli.test_commands import run

FOUND = ("--by", "R. Example", "--closed", "212", "--open", "905", "--right-closed", "208", "--right-open", "899")
PROFILE = "Hollow on Ride-on"


@pytest.fixture
def yard(tmp_path):
    """A folder with one machine and a released profile."""
    demo.copy_to(tmp_path)
    for words in (
        ("branch", "add", "North yard"), ("branch", "add", "South yard"),
        ("machine-kind", "add", "Ride-on", "--gates", "2", "--opening-step", "0.5 %"), ("material", "add", "Hollow"),
        ("machine", "add", "AH-07", "--branch", "North yard", "--kind", "Ride-on", "--tag", "ice"),
        ("profile", "save", "--material", "Hollow", "--machine-kind", "Ride-on", "--catches", "catches.csv",
         "--pass", "open lawn, overlapped, 11 ft", "--work", "feeding, 3.2 lb/1000ft2, 3.5 mph, open lawn"),
        ("profile", "release", PROFILE, "--reason", "caught"),
    ):  # fmt: skip
        done = run(*words, folder=tmp_path)
        assert done.returncode == exits.OK, done.stderr
    return tmp_path


def test_a_machine_is_commissioned_and_told_its_positions(yard):
    done = run("machine", "commission", "AH-07", *FOUND, "--no-leaks", "--tyre", "rear left=12 psi", "--at", "25 %",
               "--left", "1.02 lb", "--right", "1 lb", "--course", "200 ft", "--time", "38.9 s", "--time", "39.1 s",
               "--check-weight", "10 lb", "--shown", "10.02 lb", folder=yard)  # fmt: skip
    assert done.returncode == exits.OK, done.stderr
    for words in ("left      212   905    693", "50.5 % fell left", "Scale: shows +0.20 %", "Nothing to look at."):
        assert words in done.stdout
    assert "power off and locked" in done.stderr
    told = run("machine", "settings", "AH-07", PROFILE, "--table", folder=yard).stdout
    assert "actuator left  actuator right" in told
    answer = json.loads(run("machine", "settings", "AH-07", PROFILE, "--json", folder=yard).stdout)
    work = answer["works"][0]
    assert work["positions"][0]["position"] == pytest.approx(212 + 693 * work["set_opening"]["value"] / 100)


def test_what_changed_since_last_time_is_told_and_kept(yard):
    run("machine", "commission", "AH-07", *FOUND, "--panel", "640 rpm", "--tachometer", "640 rpm", folder=yard)
    moved = ("--by", "R. Example", "--closed", "219", "--open", "905")
    dry = run("machine", "commission", "AH-07", *moved, *FOUND[6:], "--leaks", "--dry-run", folder=yard)
    for words in ("closed stop, left", "STOP  The gate (left) leaks"):
        assert words in dry.stdout
    assert run("machine", "history", "AH-07", folder=yard).stdout.count("R. Example") == 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--right-closed", "208"), "--right-open"),
        (("--panel", "640 rpm"), "--tachometer"),
        (("--tyre", "12 psi"), "rear left=12 psi"),
        (("--tyre", "rear left=12 lb"), "not of pressure"),
        (("--course", "200 ft"), "--time"),
        (("--shown", "10 lb"), "--check-weight"),
        (("--at", "25 %", "--left", "1 lb"), "--right"),
        (("--from-below", "540"), "/gates/0/from_above"),
    ],
)
def test_half_a_measurement_is_refused_by_what_is_missing(yard, words, said):
    done = run("machine", "commission", "AH-07", *FOUND[:6], *words, folder=yard)
    assert (done.returncode, done.stdout) == (exits.INPUT, "")
    assert said in done.stderr
    assert "R. Example" not in run("machine", "history", "AH-07", folder=yard).stdout


def test_a_machine_moves_to_another_branch(yard):
    assert run("machine", "move", "AH-07", "--branch", "South yard", folder=yard).returncode == exits.OK
    assert "AH-07" in run("machine", "list", "--branch", "South yard", folder=yard).stdout
    assert "AH-07" not in run("machine", "list", "--branch", "North yard", folder=yard).stdout
    lost = run("machine", "settings", "AH-08", PROFILE, folder=yard)
    assert (lost.returncode, "AH-07" in lost.stderr) == (exits.NOT_FOUND, True)


def test_a_correction_goes_into_the_settings_and_comes_out_again(yard):
    run("machine", "commission", "AH-07", *FOUND, folder=yard)
    words = ("--factor", "0.972", "--uncertainty", "0.8 %", "--by", "R. Example", "--reason", "checked")
    assert "exactly one" in run("correction", "add", PROFILE, *words, folder=yard).stderr
    made = run("correction", "add", PROFILE, *words, "--machine", "AH-07", "--json", folder=yard)
    assert made.returncode == exits.OK, made.stderr
    assert "flow corrected by 0.972" in run("machine", "settings", "AH-07", PROFILE, folder=yard).stdout
    assert "AH-07" in run("correction", "list", folder=yard).stdout
    assert run("correction", "end", json.loads(made.stdout)[0]["id"], folder=yard).returncode == exits.OK
    assert "AH-07" not in run("correction", "list", folder=yard).stdout
    assert "ended" in run("correction", "list", "--all", folder=yard).stdout
    far = run("correction", "add", PROFILE, "--factor", "0.85", *words[2:], "--machine", "AH-07", folder=yard)
    assert (far.returncode, "calibrate again" in far.stderr) == (exits.INPUT, True)


def test_a_machine_drifts_until_somebody_at_it_confirms_its_setting(yard):
    assert "Nobody has said what it runs" in run("drift", folder=yard).stdout
    words = ("machine", "taken-up", "AH-07", PROFILE, "--revision", "1", "--by", "R. Example")
    unconfirmed = run(*words, folder=yard)
    assert (unconfirmed.returncode, "--confirmed" in unconfirmed.stderr) == (exits.INPUT, True)
    assert run(*words, "--confirmed", folder=yard).returncode == exits.OK
    assert run("drift", folder=yard).stdout == "Every machine runs what it should.\n"
    assert "It runs what it should." in run("drift", "--all", "--branch", "North yard", folder=yard).stdout
    told = run("machine", "on", "AH-07", "2099-05-12T12:00:00+00:00", folder=yard).stdout
    assert "1 by R. Example" in told
    assert run("machine", "on", "AH-07", "2000-01-01T12:00:00+00:00", folder=yard).returncode == exits.INPUT


def test_what_is_due_is_listed_with_its_branch(yard):
    assert "never done  commissioning  AH-07  North yard" in run("due", "--days", "0", folder=yard).stdout
    run("machine", "commission", "AH-07", *FOUND, folder=yard)
    assert run("due", "--branch", "North yard", folder=yard).stdout == "Nothing is due within 31 days.\n"
    told = run("due", "--days", "400", folder=yard).stdout
    assert ("check" in told, "commissioning" in told) == (True, True)
