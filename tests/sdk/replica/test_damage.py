"""Damage on the machine, a full disk and a kill at any moment leave a whole copy that the next pull mends."""

import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing

import httpx
import pytest

from catchpan import Catchpan
from catchpan.errors import CatchpanError, UnreachableError
from catchpan.replica import Replica, pulling
from catchpan.replica.errors import (
    DamagedError,
    DifferentError,
    ReplicaError,
)
from catchpan_service.store import feed, signers
from tests.releases import draft, release, write
from tests.scenario import season
from tests.sdk.replica import puller
from tests.sdk.replica.shed import Shared, client_of, holds, state_of, wanted
from tests.serving import Serving
from tests.store.test_faults import TOP


@pytest.mark.parametrize("flips", [60, pytest.param(1000, marks=pytest.mark.long)])
def test_every_flipped_bit_of_a_content_is_found_and_mended(web, client, replica, flips, path):
    ours = season(web)
    release(web, ours)
    replica.pull(client)
    draw = random.Random(11)
    good = bytes(replica.show(ours.profile).content)
    for _ in range(flips):
        with closing(sqlite3.connect(path)) as connection:
            connection.execute("UPDATE contents SET body = ?", (flipped(draw, good),))
            connection.commit()
        with pytest.raises(DamagedError, match="pull again"):
            replica.show(ours.profile)
    assert replica.verify().damaged == 1
    assert replica.verify().damaged == 1
    assert holds(replica.pull(client)) == wanted(web)
    assert bytes(replica.show(ours.profile).content) == good


def flipped(draw, body):
    """The bytes with one bit that is not as it was."""
    bad = bytearray(body)
    bad[draw.randrange(len(bad))] ^= 1 << draw.randrange(8)
    return bytes(bad)


@pytest.mark.parametrize("flips", [60, pytest.param(1000, marks=pytest.mark.long)])
def test_a_flipped_bit_anywhere_in_the_file_is_found_or_alters_nothing_that_is_held(
    web, client, replica, path, tmp_path, clock, flips
):
    for number in range(30):
        release(web, season(web, name=f"{number} "))
    replica.pull(client)
    replica.close()
    draw, whole, found = random.Random(7), path.read_bytes(), 0
    with Replica(path, clock=clock) as same:
        good = served(same)
    for number in range(flips):
        bad = tmp_path / f"flip{number}.replica"
        bad.write_bytes(flipped(draw, whole))
        try:
            with Replica(bad, clock=clock) as other:
                damaged = other.verify().damaged
                assert damaged or served(other) == good
        except ReplicaError:
            damaged = 1
        found += damaged > 0
    assert found > flips / 10


def served(replica):
    """All that is told to who asks a copy."""
    return [(held.entry, bytes(held.content)) for held in (replica.show(one.profile) for one in replica.profiles())]


class Flipping(Shared):
    """A way on which one bit of one answer is not what was sent."""

    def __init__(self, web, draw, nth):
        super().__init__(web)
        self.draw, self.left = draw, nth

    def handle_request(self, request):
        answer = super().handle_request(request)
        self.left -= 1
        if self.left != 0:
            return answer
        headers = {name: value for name, value in answer.headers.items() if name != "content-encoding"}
        return httpx.Response(answer.status_code, headers=headers, content=flipped(self.draw, answer.read()))


@pytest.mark.parametrize("flips", [30, pytest.param(1000, marks=pytest.mark.long)])
def test_a_flipped_bit_in_a_transfer_is_refused_or_alters_nothing_that_is_held(
    web, client, path, tmp_path, clock, flips
):
    ours = season(web)
    for number in (1, draft(web, ours, "newer")):
        older = path.read_bytes() if path.exists() else b""
        write(web, signers.rotate, bytes([number]) * 32)
        release(web, ours, number)
        with Replica(path, clock=clock) as replica:
            replica.pull(client)
    draw, good, refused = random.Random(13), state_of(path)[0], 0
    for number in range(flips):
        copy = tmp_path / f"flip{number}.replica"
        copy.write_bytes(older if number % 2 else b"")
        transport = Flipping(web, draw, draw.randint(1, 4))
        with (
            Catchpan("http://in-process", key=web.keys["branch"], transport=transport) as way,
            Replica(copy, clock=clock) as other,
        ):
            try:
                other.pull(way)
            except CatchpanError:
                refused += 1
                assert number % 2 == 0 or other.verify().damaged == 0
                other.pull(client)
            assert state_of(copy)[0] == good
    assert refused > flips / 4


def test_an_altered_manifest_on_the_machine_is_found(web, client, replica, path):
    release(web, season(web))
    replica.pull(client)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("""UPDATE holdings SET entry = replace(entry, '"number":1', '"number":7')""")
        connection.commit()
    with pytest.raises(DifferentError):
        replica.verify()


def test_an_altered_name_of_a_content_is_found(web, client, replica, path):
    release(web, season(web))
    replica.pull(client)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE holdings SET digest = 'sha256:' || hex(zeroblob(32))")
        connection.commit()
    with pytest.raises(DifferentError, match="altered on this machine"):
        replica.verify()


def test_a_file_that_is_no_database_is_named(tmp_path):
    path = tmp_path / "broken.replica"
    path.write_bytes(b"no database " * 1000)
    with pytest.raises(DamagedError, match=r"broken\.replica"):
        Replica(path)


def test_a_full_disk_leaves_the_last_good_copy(web, client, replica, path):
    ours = season(web)
    release(web, ours)
    replica.pull(client)
    before = state_of(path)
    connection = replica._store._connection
    pages = connection.execute("PRAGMA page_count").fetchone()[0]
    connection.execute(f"PRAGMA max_page_count={pages}")
    for number in range(4):
        release(web, season(web, name=f"big {number} "))
        other = season(web, name=f"bigger {number} ")
        release(web, other, draft(web, other, "x" * 1500 + str(number)))
    with pytest.raises(ReplicaError, match="could not be written"):
        replica.pull(client)
    assert state_of(path) == before
    connection.execute("PRAGMA max_page_count=1000000")
    assert holds(replica.pull(client)) == wanted(web)


def killed_at(path, office, pages, pause):
    """The pages that a pull was sent before it was killed, a moment after so many of them; and whether it was in time."""
    command = [sys.executable, "-m", "tests.sdk.replica.puller", str(path), office.url, office.key]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=TOP) as pull:
        told = [pull.stdout.readline() for _ in range(pages)]
        time.sleep(pause)
        pull.kill()
        told = [line for line in (*told, *pull.stdout) if line]
    return told, pull.returncode == -signal.SIGKILL


@pytest.mark.parametrize("kills", [4, pytest.param(200, marks=pytest.mark.long)])
def test_a_pull_that_is_killed_anywhere_leaves_a_whole_copy_and_at_most_one_page_is_fetched_again(
    tmp_path, capsys, monkeypatch, kills
):
    draw, older, whole = random.Random(kills), tmp_path / "older.replica", tmp_path / "whole.replica"
    monkeypatch.setattr(pulling, "PAGE", puller.PAGE)
    with Serving(tmp_path) as office, office.client() as client:
        profiles = [made_profile(client, n) for n in range(8)]
        for number, path in enumerate((older, whole)):
            for one in profiles:
                released(client, one, f"note {number}")
            puller.pull(path, office.url, office.key)
        capsys.readouterr()
        in_time = 0
        for number in range(kills):
            path = tmp_path / f"{number}.replica"
            if number % 2:
                shutil.copy(older, path)
            told, killed = killed_at(path, office, draw.randint(0, 5), draw.uniform(0, 0.02))
            in_time += killed
            if number % 2:
                with Replica(path) as replica:
                    assert replica.verify().damaged == 0
            puller.pull(path, office.url, office.key)
            told += capsys.readouterr().out.splitlines(keepends=True)
            assert len(told) - len(set(told)) <= 1, told
            assert state_of(path)[0] == state_of(whole)[0]
        assert in_time > kills / 3


def test_a_first_pull_that_was_cut_off_goes_on_where_it_was_and_takes_the_changes_since(
    web, client, replica, path, tmp_path, clock, monkeypatch
):
    monkeypatch.setattr(pulling, "PAGE", 2)
    seasons = [season(web, name=f"{number} ") for number in range(5)]
    for ours in seasons:
        release(web, ours)
    with pytest.raises(UnreachableError), client_of(web, kind=CutOff) as cut:
        replica.pull(cut)
    release(web, seasons[0], draft(web, seasons[0], "meanwhile"))
    for _ in range(2):
        assert holds(replica.pull(client)) == wanted(web)
    with Replica(tmp_path / "fresh.replica", clock=clock) as fresh:
        fresh.pull(client)
    assert state_of(path) == state_of(tmp_path / "fresh.replica")
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT count(*) FROM pages").fetchone() == (0,)


def test_a_first_pull_that_was_cut_off_before_a_restore_begins_anew(web, client, replica, monkeypatch):
    monkeypatch.setattr(pulling, "PAGE", 2)
    for number in range(5):
        release(web, season(web, name=f"{number} "))
    with pytest.raises(UnreachableError), client_of(web, kind=CutOff) as cut:
        replica.pull(cut)
    write(web, feed.raise_epoch)
    assert holds(replica.pull(client)) == wanted(web)


class CutOff(Catchpan):
    """A client whose network is gone after two pages."""

    pages = 2

    def run(self, call, *, idempotency_key=None):
        if call.path == "/v1/snapshot":
            self.pages -= 1
            if self.pages < 0:
                raise UnreachableError("gone")
        return super().run(call, idempotency_key=idempotency_key)


def made_profile(client, n):
    from catchpan.contract.machine_kinds import MachineKindRequest
    from catchpan.contract.materials import MaterialRequest
    from catchpan.contract.profiles import ProfileRequest

    material = client.add_material(MaterialRequest(name=f"Hollow Green {n}"))
    kind = client.add_machine_kind(MachineKindRequest(name=f"Ride-on {n}"))
    return client.add_profile(ProfileRequest(material=material.id, machine_kind=kind.id, name="Green")).id


def released(client, profile, note):
    from catchpan.contract.profiles import Content, ReleaseRequest, RevisionRequest

    made = client.add_revision(profile, RevisionRequest(content=Content(format=1, note=note)))
    finding = [one for one in made.findings if one.severity == "stop"]
    asked = ReleaseRequest(reason="x", override="invented" if finding else None)
    return client.release_revision(profile, made.number, asked, version=made.version)
