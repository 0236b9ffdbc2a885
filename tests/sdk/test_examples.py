"""The examples do what they say, as programs against a real service."""

import csv
import os
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import msgspec
import pytest

from catchpan.contract.branches import BranchRequest, MachineRequest
from catchpan.contract.machine_kinds import MachineKindRequest
from catchpan.contract.materials import MaterialRequest
from catchpan.contract.profiles import Content, ProfileRequest, ReleaseRequest, RevisionRequest, WithdrawRequest
from catchpan.quantities import Mass
from catchpan.replica import Replica
from tests.scenario import example
from tests.serving import Serving

EXAMPLES = Path(__file__).parents[2] / "sdk" / "examples"
CONTENT = msgspec.convert(example("addRevision")["content"], Content)


@pytest.fixture
def serving(tmp_path):
    with Serving(tmp_path) as made:
        yield made


@pytest.fixture
def office(serving):
    with serving.client() as client:
        yield client


@pytest.fixture
def yard(office):
    return office.add_branch(BranchRequest(name="North yard"))


@pytest.fixture
def kind(office):
    return office.add_machine_kind(MachineKindRequest(name="Ride-on", gates=2))


@pytest.fixture
def hollow(office, kind):
    """A profile with one draft."""
    return profile(office, kind, "Hollow Green")


def profile(office, kind, name):
    material = office.add_material(MaterialRequest(name=name, maker="=Invented", bag=Mass(value=50, unit="lb")))
    made = office.add_profile(ProfileRequest(material=material.id, machine_kind=kind.id, name=f"{name} on ride-ons"))
    office.add_revision(made.id, RevisionRequest(content=CONTENT))
    return made


def release(office, of):
    return office.release_revision(of.id, 1, ReleaseRequest(reason="caught"), version=1)


def start(serving, example, *words):
    """The example as a program of its own, with the key of the service's first owner."""
    command = [sys.executable, str(EXAMPLES / f"{example}.py"), serving.url, *map(str, words)]
    environment = {**os.environ, "CATCHPAN_KEY": serving.key}
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment)


def run(serving, example, *words, status=0):
    """What the example says on standard output and standard error."""
    with start(serving, example, *words) as program:
        said = program.communicate(timeout=60)
    assert program.returncode == status, said
    return said


def night(serving, folder):
    """The rows of one night's files, by what the files are of."""
    said, _ = run(serving, "nightly_export", folder)
    found = {}
    for line in said.splitlines():
        with Path(line).open(newline="", encoding="utf-8") as file:
            found[Path(line).stem.rpartition("-")[2]] = list(csv.DictReader(file))
    return found


def test_a_first_night_exports_everything_that_was_released(serving, office, kind, hollow, tmp_path):
    profile(office, kind, "Winter Grit")
    used = release(office, hollow)
    found = night(serving, tmp_path)
    assert [one["name"] for one in found["materials"]] == ["Hollow Green", "Winter Grit"]
    assert [one["bag"] + one["bag unit"] for one in found["materials"]] == ["50.0lb", "50.0lb"]
    (row,) = found["profiles"]
    assert (row["profile"], row["revision"], row["digest"]) == (hollow.id, "1", used.digest)


def test_a_text_that_could_be_a_formula_is_made_harmless(serving, hollow, tmp_path):
    assert night(serving, tmp_path)["materials"][0]["maker"] == "'=Invented"


def test_a_later_night_exports_what_changed_and_a_quiet_night_nothing(serving, office, kind, hollow, tmp_path):
    assert set(night(serving, tmp_path)) == {"materials"}
    assert night(serving, tmp_path) == {}
    release(office, hollow)
    assert [one["revision"] for one in night(serving, tmp_path)["profiles"]] == ["1"]
    office.withdraw_revision(hollow.id, 1, WithdrawRequest(reason="clumps", because="unsafe"), version=2)
    assert [one["revision"] for one in night(serving, tmp_path)["profiles"]] == [""]
    profile(office, kind, "Winter Grit")
    assert [one["name"] for one in night(serving, tmp_path)["materials"]] == ["Winter Grit"]


def test_a_night_that_was_cut_short_is_written_again_under_the_same_names(serving, office, hollow, tmp_path):
    mark = tmp_path / "cursor.txt"
    night(serving, tmp_path)
    before = mark.read_text()
    release(office, hollow)
    first = run(serving, "nightly_export", tmp_path)
    mark.write_text(before)
    assert run(serving, "nightly_export", tmp_path) == first


def test_a_release_waits_until_every_branch_is_in_step(serving, office, yard, hollow, tmp_path):
    words = (hollow.name, 1, "--reason", "caught", "--minutes", 1, "--every", 0.05)
    with start(serving, "release_and_wait", *words) as waiting, Replica(tmp_path / "shed.replica") as replica:
        assert waiting.stdout.readline() == "Hollow Green on ride-ons, revision 1, is released\n"
        replica.pull(office, branch=yard.id)
        assert waiting.poll() is None
        replica.report_to(office)
        said, _ = waiting.communicate(timeout=60)
    assert (waiting.returncode, said) == (0, "Every branch is in step\n")


def test_a_branch_that_never_reports_is_named_when_the_time_is_over(serving, office, yard, hollow):
    words = (hollow.name, 1, "--reason", "caught", "--minutes", 0)
    for _ in range(2):
        _, missing = run(serving, "release_and_wait", *words, status=1)
        assert missing.startswith("North yard: not heard of; ")
    assert office.profile(hollow.id).released == 1


def test_machines_that_want_attention_are_told_branch_by_branch(serving, office, yard, kind, hollow):
    south = office.add_branch(BranchRequest(name="South yard"))
    for name, branch in (("AH-07", yard), ("AH-08", yard), ("AH-09", south)):
        office.add_machine(MachineRequest(name=name, branch=branch.id, machine_kind=kind.id))
    due = release(office, hollow).check_due
    never = [f"  never yet   commission {name}" for name in ("AH-07", "AH-08", "AH-09")]
    said, _ = run(serving, "due_this_month")
    assert said.splitlines() == ["North yard", *never[:2], "South yard", never[2]]
    said, _ = run(serving, "due_this_month", "--month", f"{due:%Y-%m}")
    check = f"  {due:%Y-%m-%d}  check Hollow Green on ride-ons: catch with one of"
    assert said.splitlines() == [
        "North yard", *never[:2], f"{check} AH-07, AH-08", "South yard", never[2], f"{check} AH-09"
    ]  # fmt: skip


def test_a_month_ends_with_its_last_day():
    sys.path.insert(0, str(EXAMPLES))
    try:
        from due_this_month import end_of
    finally:
        sys.path.remove(str(EXAMPLES))
    for month, days in ((1, 31), (2, 28), (4, 30), (12, 31)):
        assert end_of(datetime(2031, month, 28, 12, tzinfo=UTC)).day == days
    assert end_of(datetime(2031, 12, 31, tzinfo=UTC)) + timedelta(milliseconds=1) == datetime(2032, 1, 1, tzinfo=UTC)
