"""Rollouts, as a technician meets them on the command line."""

import pytest

from catchpan import demo
from catchpan.cli import exits
from catchpan.cli.connection import Common
from catchpan.contract.branches import MachineRequest
from tests.cli.test_commands import run

WORK = ("--work", "feeding, 3.2 lb/1000ft2, 3.5 mph, open lawn", "--catches", "catches.csv")


@pytest.fixture
def fleet(tmp_path, monkeypatch):
    """Three machines of one kind, a released revision, and a draft with a wider pass."""
    monkeypatch.chdir(tmp_path)
    demo.copy_to(tmp_path)
    save = ("profile", "save", "--material", "M", "--machine-kind", "K", *WORK)
    for words in (
        ("material", "add", "M"),
        ("machine-kind", "add", "K"),
        ("branch", "add", "North yard", "--tag", "ice"),
        (*save, "--pass", "open lawn, overlapped, 11 ft", "--machine", "AH-07", "--lot", "L2041"),
        ("profile", "release", "M on K", "--reason", "caught"),
        (*save, "--pass", "open lawn, overlapped, 12 ft"),
    ):
        done = run(*words, folder=tmp_path)
        assert done.returncode == exits.OK, done.stderr
    with Common().client(stores=True) as client:
        kind, branch = next(client.all_machine_kinds()).id, next(client.all_branches()).id
        for name in ("AH-07", "AH-11", "AH-12"):
            client.add_machine(MachineRequest(name=name, branch=branch, machine_kind=kind))
    return tmp_path


def test_a_rollout_is_planned_begun_watched_held_and_undone(fleet):
    asked = ("M on K", 2, "--wave", "machine AH-07", "--wave", "tag ice", "--reason", "better", "--soak", "0 h")
    plan = run("rollout", "plan", *asked)
    assert "nothing stored" in plan.stderr
    assert "On 3 machines with revision 1 now:" in plan.stdout
    assert "feeding: opening for 3.2 lb/1000ft2 at 3.5 mph on 12 ft" in plan.stdout
    assert run("rollout", "list").stdout.splitlines()[1:] == []
    assert run("rollout", "start", *asked).returncode == exits.OK
    taken_up = ("machine", "taken-up", "AH-07", "M on K", "--revision", 2, "--by", "R. Example", "--check", "accepted")
    assert run(*taken_up).returncode == exits.INPUT
    assert "noted: AH-07 runs revision 2" in run(*taken_up, "--confirmed").stderr
    assert "soaking, wave 1 of 2" in run("rollout", "advance").stdout
    assert "taking up, wave 2 of 2" in run("rollout", "advance").stdout
    assert run("rollout", "advance").stdout == "No move is due.\n"
    shown = run("rollout", "show", "M on K", "--machines").stdout
    assert "Waits for: 2 of 2 machines of wave 2" in shown
    assert "AH-07       1  accepted     2" in shown
    assert "held" in run("rollout", "hold", "M on K", "--reason", "wait").stdout
    assert "taking up" in run("rollout", "resume", "M on K", "--reason", "on").stdout
    assert "undone" in run("rollout", "undo", "M on K", "--reason", "heavy").stdout
    assert "It runs revision 2 instead of 1." in run("drift", "--branch", "North yard").stdout


def test_what_cannot_be_a_wave_is_said(fleet):
    (fleet / "first.txt").write_text("AH-07\nAH-11\n")
    ask = ("rollout", "plan", "M on K", 2, "--reason", "better", "--wave")
    assert "AH-11       1" in run(*ask, "@first.txt").stdout
    for words, code, said in (
        ("machin AH-07", exits.INPUT, "a wave cannot be 'machin AH-07'"),
        ("machine AH-99", exits.NOT_FOUND, "AH-99"),
        ("branch nowhere", exits.NOT_FOUND, "nowhere"),
        ("@nothing.txt", exits.INPUT, "nothing.txt"),
        ("tag none", exits.INPUT, "/waves/0"),
    ):
        done = run(*ask, words)
        assert (done.returncode, said in done.stderr) == (code, True), done.stderr
    assert run("rollout", "show", "nothing").returncode == exits.NOT_FOUND
