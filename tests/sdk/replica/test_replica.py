"""A branch's copy: pulled, proved, carried, and not to be deceived."""

import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from uuid import UUID

import httpx
import msgspec
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from catchpan import Catchpan
from catchpan.contract.sync import FeedPage, SignedHead, SnapshotPage, Target
from catchpan.errors import MissingError
from catchpan.replica import Replica
from catchpan.replica.errors import (
    BundleError,
    DamagedError,
    DifferentError,
    EmptyError,
    OutOfDateError,
    ReplicaError,
    RolledBackError,
    WrongKeyError,
)
from catchpan_service.store import feed, signers
from catchpan_service.store.database import Order
from catchpan_service.store.writes import local_owner
from tests.scenario import example, season, serving
from tests.serving import Serving


class Clock:
    def __init__(self):
        self.now = datetime(2031, 4, 7, 6, tzinfo=UTC)

    def __call__(self):
        return self.now


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def web(tmp_path, clock):
    (tmp_path / "office").mkdir()
    with serving(tmp_path / "office", clock=clock) as made:
        yield made


class Shared(httpx.BaseTransport):
    """The way to an app that others use too: it stays open."""

    def __init__(self, web):
        self.way = web.http._transport

    def handle_request(self, request):
        return self.way.handle_request(request)


def client_of(web, key="branch", kind=Catchpan):
    return kind("http://in-process", key=web.keys[key], transport=Shared(web))


@pytest.fixture
def client(web):
    with client_of(web) as made:
        yield made


@pytest.fixture
def replica(tmp_path, clock):
    with Replica(tmp_path / "shed.replica", clock=clock) as made:
        yield made


def release(web, ours, number=1, **provisionally):
    how = "release-provisionally" if provisionally else "release"
    path = f"/v1/profiles/{ours.profile}/revisions/{number}/{how}"
    return web.made("POST", path, example("releaseRevision") | provisionally, If_Match="*")


def draft(web, ours, note):
    body = example("addRevision")
    body = body | {"content": body["content"] | {"note": note}}
    return web.made("POST", f"/v1/profiles/{ours.profile}/revisions", body)["number"]


def withdraw(web, ours, number):
    path = f"/v1/profiles/{ours.profile}/revisions/{number}/withdraw"
    return web.made("POST", path, example("withdrawRevision"), If_Match="*")


def wanted(web, branch=None):
    told = web.made("GET", f"/v1/manifest?branch={branch or web.branch}")
    return told["manifest_digest"], told["exceptions_digest"]


def holds(report):
    return report.manifest, report.exceptions


def write(web, function, *args):
    told = web.made("GET", "/v1/organisation")
    order = Order(local_owner(UUID(told["id"]), told["name"], "us"), "test")
    return web.app.state.database.write_now(function, order, *args)


def state_of(path):
    """What a copy holds, byte for byte, without when it was pulled."""
    with closing(sqlite3.connect(path)) as connection:
        tables = {
            name: sorted(connection.execute(f"SELECT * FROM {name}").fetchall())
            for name in ("holdings", "unsafe", "contents")
        }
        (body,) = connection.execute("SELECT body FROM state").fetchone()
    kept = json.loads(body)
    return tables, {name: kept[name] for name in ("scope", "organisation", "epoch", "position", "signed")}


# --- pulling


def test_a_pulled_copy_holds_what_its_branch_should_and_answers_without_network(web, client, replica):
    ours = season(web)
    release(web, ours)
    report = replica.pull(client)
    assert holds(report) == wanted(web)
    held = replica.show(ours.profile)
    content = web.send("GET", f"{ours.revision}/content").content
    assert bytes(held.content) == content
    assert replica.show(held.entry.name).entry == held.entry
    assert [one.profile for one in replica.profiles()] == [ours.profile]
    assert replica.verify().damaged == 0


def test_a_later_pull_brings_only_what_changed(web, client, replica):
    seasons = [season(web, name=f"{number} ") for number in range(5)]
    for ours in seasons:
        release(web, ours)
    assert replica.pull(client).contents_fetched >= 1
    assert replica.pull(client).contents_fetched == 0
    release(web, seasons[2], draft(web, seasons[2], "better"))
    report = replica.pull(client)
    assert report.contents_fetched == 1
    assert holds(report) == wanted(web)


def test_random_histories_leave_the_copy_equal_to_the_office(web, client, replica, tmp_path, clock):
    draw = random.Random(7)
    seasons = [season(web, name=f"{number} ") for number in range(3)]
    for step in range(60):
        ours = draw.choice(seasons)
        latest = web.made("GET", f"/v1/profiles/{ours.profile}")["latest"]
        path = f"/v1/profiles/{ours.profile}/revisions/{draw.randint(1, latest)}"
        move, body = draw.choice(
            [
                ("release", example("releaseRevision")),
                ("release-provisionally", {"branch": draw.choice([web.branch, ours.branch]), "days": 3, "reason": "x"}),
                ("withdraw", {"reason": "x", "because": draw.choice(["replaced", "unsafe"])}),
                ("", None),
            ]
        )
        if move:
            web.send("POST", f"{path}/{move}", body, If_Match="*")
        else:
            draft(web, ours, f"note {step}")
        if draw.random() < 0.1:
            write(web, feed.put_away, draw.randrange(10_000))
        if draw.random() < 0.3:
            assert holds(replica.pull(client)) == wanted(web)
    last = replica.pull(client)
    assert holds(last) == wanted(web)
    with Replica(tmp_path / "fresh.replica", clock=clock) as fresh:
        fresh.pull(client)
    assert state_of(tmp_path / "fresh.replica") == state_of(tmp_path / "shed.replica")


def test_a_provisional_revision_is_marked_and_its_end_is_said(web, client, replica, clock):
    ours = season(web)
    release(web, ours, branch=web.branch, days=3)
    replica.pull(client)
    assert "PROVISIONAL: valid until" in replica.show(ours.profile).notes[0]
    clock.now += timedelta(days=4)
    assert "PROVISIONAL: not valid since" in replica.show(ours.profile).notes[0]


def test_what_was_withdrawn_as_unsafe_is_no_longer_shown(web, client, replica):
    ours = season(web)
    release(web, ours)
    replica.pull(client)
    withdraw(web, ours, 1)
    replica.pull(client)
    with pytest.raises(MissingError):
        replica.show(ours.profile)


def test_an_empty_copy_says_so(replica):
    for ask in (replica.status, replica.verify, replica.profiles):
        with pytest.raises(EmptyError, match="pull first"):
            ask()


def test_a_restored_office_is_believed_by_its_epoch_and_nothing_is_lost_silently(web, client, replica, tmp_path, clock):
    ours = season(web)
    release(web, ours)
    backup = tmp_path / "backup"
    backup.mkdir()
    with closing(sqlite3.connect(web.path)) as live, closing(sqlite3.connect(backup / "catchpan.sqlite")) as copy:
        live.backup(copy)
    for number in range(50):
        release(web, ours, draft(web, ours, f"lost {number}"))
    replica.pull(client)
    with serving(backup, clock=clock, found=False) as restored:
        restored.keys, restored.branch = web.keys, web.branch
        with client_of(restored) as again:
            with pytest.raises(RolledBackError, match="older copy"):
                replica.pull(again)
            write(restored, feed.raise_epoch)
            report = replica.pull(again)
            assert (report.epoch, holds(report)) == (2, wanted(restored))
            release(restored, ours, draft(restored, ours, "afterwards"))
            assert holds(replica.pull(again)) == wanted(restored)


# --- attacks


class Between(Catchpan):
    """A client whose answers somebody alters on the way."""

    alter = None

    def run(self, call, *, idempotency_key=None):
        answer = super().run(call, idempotency_key=idempotency_key)
        return self.alter(call, answer) if self.alter else answer


@pytest.fixture
def between(web):
    with client_of(web, kind=Between) as made:
        yield made


def signed_by(seed, head):
    body = msgspec.json.encode(head, order="sorted")
    key = Ed25519PrivateKey.from_private_bytes(seed)
    return SignedHead(
        head=msgspec.Raw(body), signature=key.sign(body).hex(), key=key.public_key().public_bytes_raw().hex()
    )


def test_a_head_signed_by_another_key_is_refused_and_a_good_pull_follows(web, between, replica):
    release(web, season(web))
    replica.pull(between)
    before = state_of(replica._store.path)

    def forged(call, answer):
        return signed_by(b"x" * 32, json.loads(bytes(answer.head))) if isinstance(answer, SignedHead) else answer

    between.alter = forged
    with pytest.raises(WrongKeyError, match="not signed by a key"):
        replica.pull(between)
    assert state_of(replica._store.path) == before
    between.alter = None
    assert holds(replica.pull(between)) == wanted(web)


def test_a_pinned_key_is_the_only_one_that_a_first_pull_believes(web, client, replica):
    with pytest.raises(WrongKeyError, match="pinned"):
        replica.pull(client, pin="00" * 32)
    key = web.made("GET", "/v1/signing-keys")["items"][0]["key"]
    assert holds(replica.pull(client, pin=key)) == wanted(web)


def test_a_new_signing_key_is_believed_because_the_one_before_introduced_it(web, client, replica):
    replica.pull(client)
    for number in (1, 2):
        write(web, signers.rotate, bytes([number]) * 32)
        assert holds(replica.pull(client)) == wanted(web)
    assert replica.verify().damaged == 0


def test_a_key_that_nobody_introduced_is_refused(web, between, replica):
    replica.pull(between)
    write(web, signers.rotate, b"n" * 32)

    def forged(call, answer):
        if call.path != "/v1/signing-keys":
            return answer
        last = msgspec.structs.replace(answer.items[-1], introduction="00" * 64)
        return msgspec.structs.replace(answer, items=[*answer.items[:-1], last])

    between.alter = forged
    with pytest.raises(WrongKeyError, match="introduced"):
        replica.pull(between)


def test_an_old_head_is_a_rollback_and_an_expired_one_a_freeze(web, between, replica, clock):
    ours = season(web)
    release(web, ours)
    old = between.head()
    replica.pull(between)
    release(web, ours, draft(web, ours, "newer"))
    replica.pull(between)
    between.alter = lambda call, answer: old if isinstance(answer, SignedHead) else answer
    with pytest.raises(RolledBackError):
        replica.pull(between)
    between.alter = None
    last = between.head()
    between.alter = lambda call, answer: last if isinstance(answer, SignedHead) else answer
    clock.now += timedelta(days=7)
    replica.pull(between)
    clock.now += timedelta(days=2)
    with pytest.raises(OutOfDateError, match="proves nothing after"):
        replica.pull(between)
    assert replica.status().out_of_date
    between.alter = None
    assert not replica.pull(between).out_of_date


def test_a_clock_that_is_a_day_behind_is_said_and_no_more(web, client, replica, clock):
    replica.pull(client)
    assert replica.status().notes == []
    clock.now -= timedelta(days=1)
    assert any("clock of this machine is behind" in note for note in replica.status().notes)


def altered(content):
    body = bytearray(bytes(content))
    body[len(body) // 2] ^= 1
    return msgspec.Raw(bytes(body))


@pytest.mark.parametrize("kind", [SnapshotPage, FeedPage], ids=["snapshot", "changes"])
def test_an_altered_content_is_put_aside_and_the_last_good_copy_serves(web, between, replica, kind):
    ours = season(web)
    release(web, ours)
    if kind is FeedPage:
        replica.pull(between)
        release(web, ours, draft(web, ours, "newer"))

    def alter(call, answer):
        if isinstance(answer, SnapshotPage | FeedPage):
            items = [
                item if bytes(item.content) == b"null" else msgspec.structs.replace(item, content=altered(item.content))
                for item in answer.items
            ]
            return msgspec.structs.replace(answer, items=items)
        return answer

    between.alter = alter
    with pytest.raises(DifferentError):
        replica.pull(between)
    assert replica._store.set_aside_count() == 1
    if kind is FeedPage:
        assert replica.show(ours.profile).entry.number == 1
    between.alter = None
    assert holds(replica.pull(between)) == wanted(web)


def test_a_holding_that_was_left_out_or_added_does_not_fit_the_head(web, between, replica):
    for number in range(2):
        release(web, season(web, name=f"{number} "))
    for alter in (
        lambda items: items[:-1],
        lambda items: [*items, msgspec.structs.replace(items[0], target=Target.MACHINE)],
    ):
        between.alter = lambda call, answer, alter=alter: (
            msgspec.structs.replace(answer, items=alter(answer.items)) if isinstance(answer, SnapshotPage) else answer
        )
        with pytest.raises(DifferentError, match="not what was signed"):
            replica.pull(between)
    with pytest.raises(EmptyError):
        replica.status()


def test_pages_without_end_are_cut_off(web, between, replica):
    release(web, season(web))

    def endless(call, answer):
        return msgspec.structs.replace(answer, next="again") if isinstance(answer, SnapshotPage) else answer

    between.alter = endless
    with pytest.raises(Exception) as refused:
        replica.pull(between)
    assert isinstance(refused.value, ReplicaError) or "cursor" in str(refused.value)
    with pytest.raises(EmptyError):
        replica.status()


# --- damage on the machine


@pytest.mark.parametrize("flips", [60, pytest.param(1000, marks=pytest.mark.long)])
def test_every_flipped_bit_of_a_content_is_found_and_mended(web, client, replica, flips):
    ours = season(web)
    release(web, ours)
    replica.pull(client)
    draw = random.Random(11)
    good = bytes(replica.show(ours.profile).content)
    for _ in range(flips):
        bad = bytearray(good)
        bad[draw.randrange(len(bad))] ^= 1 << draw.randrange(8)
        with closing(sqlite3.connect(replica._store.path)) as connection:
            connection.execute("UPDATE contents SET body = ?", (bytes(bad),))
            connection.commit()
        with pytest.raises(DamagedError, match="pull again"):
            replica.show(ours.profile)
    assert replica.verify().damaged == 1
    assert replica.verify().damaged == 1
    assert holds(replica.pull(client)) == wanted(web)
    assert bytes(replica.show(ours.profile).content) == good


def test_an_altered_manifest_on_the_machine_is_found(web, client, replica):
    release(web, season(web))
    replica.pull(client)
    with closing(sqlite3.connect(replica._store.path)) as connection:
        connection.execute("""UPDATE holdings SET entry = replace(entry, '"number":1', '"number":7')""")
        connection.commit()
    with pytest.raises(DifferentError):
        replica.verify()


def test_a_file_that_is_no_database_is_named(tmp_path):
    path = tmp_path / "broken.replica"
    path.write_bytes(b"no database " * 1000)
    with pytest.raises(DamagedError, match=r"broken\.replica"):
        Replica(path)


# --- bundles


def test_a_bundle_leads_to_the_same_copy_as_the_network(web, client, replica, tmp_path, clock):
    for number in range(3):
        release(web, season(web, name=f"{number} "))
    replica.pull(client)
    replica.export(tmp_path / "north.bundle")
    with Replica(tmp_path / "other.replica", clock=clock) as other:
        report = other.import_(tmp_path / "north.bundle")
        assert holds(report) == wanted(web)
        other.export(tmp_path / "again.bundle")
        assert state_of(tmp_path / "other.replica") == state_of(tmp_path / "shed.replica")
        assert (tmp_path / "again.bundle").read_bytes() == (tmp_path / "north.bundle").read_bytes()
        release(web, season(web, name="later "))
        assert holds(other.pull(client)) == wanted(web)


@pytest.fixture
def carried(web, client, replica, tmp_path):
    for number in range(2):
        ours = season(web, name=f"{number} ")
        release(web, ours, draft(web, ours, f"note {number}"))
    replica.pull(client)
    replica.export(tmp_path / "north.bundle")
    return tmp_path / "north.bundle"


def test_a_bundle_that_is_cut_anywhere_is_refused(carried, tmp_path, clock):
    whole = carried.read_bytes()
    draw = random.Random(3)
    with Replica(tmp_path / "other.replica", clock=clock) as other:
        for length in [0, 1, len(whole) - 1, *[draw.randrange(len(whole)) for _ in range(40)]]:
            carried.write_bytes(whole[:length])
            with pytest.raises(ReplicaError):
                other.import_(carried)
        lines = whole.splitlines(keepends=True)
        for index in range(len(lines)):
            carried.write_bytes(b"".join(lines[:index] + lines[index + 1 :]))
            with pytest.raises(ReplicaError):
                other.import_(carried)
        with pytest.raises(EmptyError):
            other.status()


def test_a_bundle_with_something_more_is_refused(carried, tmp_path, clock):
    whole = carried.read_bytes()
    lines = whole.splitlines(keepends=True)
    with Replica(tmp_path / "other.replica", clock=clock) as other:
        for more in (b"\n", b"{}\n", b"x", lines[-1]):
            carried.write_bytes(whole + more)
            with pytest.raises(BundleError):
                other.import_(carried)
        heading = json.loads(lines[0])
        heading["contents"] += 1
        carried.write_bytes(
            json.dumps(heading, separators=(",", ":")).encode() + b"\n" + b"".join(lines[1:]) + b'{"format":1}\n'
        )
        with pytest.raises(BundleError, match="1 are strange"):
            other.import_(carried)


@pytest.mark.parametrize("flips", [100, pytest.param(1000, marks=pytest.mark.long)])
def test_a_bundle_with_a_flipped_bit_is_refused_or_says_the_same(carried, tmp_path, clock, flips):
    whole = carried.read_bytes()
    draw = random.Random(5)
    with Replica(tmp_path / "good.replica", clock=clock) as good:
        good.import_(carried)
    refused = 0
    for number in range(flips):
        bad = bytearray(whole)
        bad[draw.randrange(len(bad))] ^= 1 << draw.randrange(8)
        carried.write_bytes(bytes(bad))
        path = tmp_path / f"flip{number}.replica"
        with Replica(path, clock=clock) as other:
            try:
                other.import_(carried)
            except ReplicaError:
                refused += 1
            else:
                assert state_of(path)[0] == state_of(tmp_path / "good.replica")[0]
    assert refused > flips * 0.8


def test_an_older_bundle_is_a_rollback_and_one_of_another_branch_is_refused(
    web, client, replica, carried, tmp_path, clock
):
    release(web, season(web, name="later "))
    replica.pull(client)
    before = state_of(replica._store.path)
    with pytest.raises(RolledBackError):
        replica.import_(carried)
    assert state_of(replica._store.path) == before
    with (
        client_of(web, "owner") as office,
        Replica(tmp_path / "office.replica", clock=clock) as other,
    ):
        other.pull(office)
        with pytest.raises(DifferentError, match="not of organisation"):
            other.import_(carried)


def test_a_bundle_signed_by_another_key_is_refused(carried, tmp_path, clock):
    lines = carried.read_bytes().splitlines(keepends=True)
    heading = json.loads(lines[0])
    forged = msgspec.to_builtins(
        msgspec.json.decode(msgspec.json.encode(signed_by(b"x" * 32, heading["state"]["signed"]["head"])))
    )
    heading["state"]["signed"] = forged
    carried.write_bytes(json.dumps(heading, separators=(",", ":")).encode() + b"\n" + b"".join(lines[1:]))
    with Replica(tmp_path / "other.replica", clock=clock) as other, pytest.raises(WrongKeyError):
        other.import_(carried)


# --- faults


def test_a_full_disk_leaves_the_last_good_copy(web, client, replica):
    ours = season(web)
    release(web, ours)
    replica.pull(client)
    before = state_of(replica._store.path)
    connection = replica._store._connection
    pages = connection.execute("PRAGMA page_count").fetchone()[0]
    connection.execute(f"PRAGMA max_page_count={pages}")
    for number in range(4):
        release(web, season(web, name=f"big {number} "))
        other = season(web, name=f"bigger {number} ")
        release(web, other, draft(web, other, "x" * 1500 + str(number)))
    with pytest.raises(ReplicaError, match="could not be written"):
        replica.pull(client)
    assert state_of(replica._store.path) == before
    connection.execute("PRAGMA max_page_count=1000000")
    assert holds(replica.pull(client)) == wanted(web)


@pytest.mark.parametrize("kills", [6, pytest.param(200, marks=pytest.mark.long)])
def test_a_replica_that_is_killed_anywhere_holds_a_whole_state_and_the_next_pull_mends_it(tmp_path, kills):
    draw = random.Random(kills)
    with Serving(tmp_path) as office:
        key = (tmp_path / "owner.key").read_text().strip()
        with Catchpan(office.url, key=key) as client:
            ours = made_profile(client)
            path = tmp_path / "shed.replica"
            for number in range(kills):
                released(client, ours, f"note {number}")
                pull = subprocess.Popen(
                    [sys.executable, "-m", "catchpan", "replica", "pull", str(path), "--server", office.url],
                    env=os.environ | {"CATCHPAN_KEY": key},
                    stdout=subprocess.DEVNULL,
                    stderr=subprocess.DEVNULL,
                )
                time.sleep(draw.uniform(0.1, 0.6))
                pull.send_signal(signal.SIGKILL)
                pull.wait()
                with Replica(path) as replica:
                    try:
                        assert replica.verify().damaged == 0
                    except EmptyError:
                        assert number < kills - 1 or kills < 10
                    told = replica.pull(client)
                wanted_now = client.manifest()
                assert holds(told) == (wanted_now.manifest_digest, wanted_now.exceptions_digest)


def made_profile(client):
    from catchpan.contract.machine_kinds import MachineKindRequest
    from catchpan.contract.materials import MaterialRequest
    from catchpan.contract.profiles import ProfileRequest

    material = client.add_material(MaterialRequest(name="Hollow Green"))
    kind = client.add_machine_kind(MachineKindRequest(name="Ride-on 120"))
    return client.add_profile(ProfileRequest(material=material.id, machine_kind=kind.id, name="Green")).id


def released(client, profile, note):
    from catchpan.contract.profiles import Content, ReleaseRequest, RevisionRequest

    made = client.add_revision(profile, RevisionRequest(content=Content(format=1, note=note)))
    finding = [one for one in made.findings if one.severity == "stop"]
    asked = ReleaseRequest(reason="x", override="invented" if finding else None)
    return client.release_revision(profile, made.number, asked, version=made.version)


def test_copies_can_be_moved_as_files(web, client, replica, tmp_path, clock):
    release(web, season(web))
    replica.pull(client)
    replica.close()
    moved = tmp_path / "moved.replica"
    shutil.copy(Path(tmp_path / "shed.replica"), moved)
    with Replica(moved, clock=clock) as other:
        assert holds(other.verify()) == wanted(web)
