"""A copy is pulled, proved, and answers without network."""

import random
import shutil
import sqlite3
from contextlib import closing
from datetime import timedelta

import pytest

from catchpan.errors import MissingError
from catchpan.replica import Replica
from catchpan.replica.errors import (
    EmptyError,
    RolledBackError,
)
from catchpan_service.store import feed
from tests.releases import draft, release, withdraw, write
from tests.scenario import example, season, serving
from tests.sdk.replica.shed import client_of, holds, state_of, wanted


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


def step(web, draw, seasons, n):
    """Something that an office does; what it may not do is refused, and nothing happens."""
    ours = draw.choice(seasons)
    latest = web.made("GET", f"/v1/profiles/{ours.profile}")["latest"]
    revision = f"/v1/profiles/{ours.profile}/revisions/{draw.randint(1, latest)}"
    yard = draw.choice([web.branch, ours.branch])
    rollouts = [one["id"] for one in web.made("GET", "/v1/rollouts")["items"]] or ["none"]
    begun = example("addRollout") | {"profile": ours.profile, "number": latest, "waves": [{}]}
    method, path, body = draw.choice(
        [
            ("POST", f"{revision}/release", example("releaseRevision")),
            ("POST", f"{revision}/release-provisionally", {"branch": yard, "days": 3, "reason": "x"}),
            ("POST", f"{revision}/withdraw", {"reason": "x", "because": draw.choice(["replaced", "unsafe"])}),
            ("POST", f"/v1/profiles/{ours.profile}/revisions", example("addRevision") | {"note": f"note {n}"}),
            ("POST", "/v1/corrections", correction(ours, latest, draw)),
            ("PUT", f"/v1/machines/{ours.machine}", machine(ours, yard)),
            ("POST", "/v1/rollouts", begun),
            ("POST", f"/v1/rollouts/{draw.choice(rollouts)}/undo", example("undoRollout")),
            ("POST", "/v1/rollout-moves", None),
        ]
    )
    web.send(method, path, *([] if body is None else [body]), If_Match="*")
    if draw.random() < 0.1:
        write(web, feed.put_away, draw.randrange(10_000))


def correction(ours, number, draw):
    target = draw.choice([{"machine": ours.machine}, {"machine": None, "lot": "L7"}])
    return example("addCorrection") | {"profile": ours.profile, "number": number} | target


def machine(ours, yard):
    return example("addMachine", ours.machine) | {"branch": yard, "machine_kind": ours.kind}


@pytest.mark.parametrize(("histories", "steps"), [(1, 60), pytest.param(1000, 20, marks=pytest.mark.long)])
def test_random_histories_leave_the_copy_equal_to_the_office(tmp_path, clock, histories, steps):
    for seed in range(histories):
        folder, draw = tmp_path / str(seed), random.Random(seed)
        folder.mkdir()
        with (
            serving(folder, clock=clock) as web,
            client_of(web) as client,
            Replica(folder / "shed.replica", clock=clock) as replica,
            Replica(folder / "fresh.replica", clock=clock) as fresh,
        ):
            seasons = [season(web, name=f"{number} ") for number in range(2)]
            for n in range(steps):
                step(web, draw, seasons, n)
                if draw.random() < 0.3:
                    assert holds(replica.pull(client)) == wanted(web)
            assert holds(replica.pull(client)) == wanted(web)
            fresh.pull(client)
            assert state_of(folder / "fresh.replica") == state_of(folder / "shed.replica")


def test_a_provisional_revision_is_marked_and_its_end_is_said(web, client, replica, clock):
    ours = season(web)
    release(web, ours, branch=web.branch, days=3)
    replica.pull(client)
    assert "PROVISIONAL: valid until" in replica.show(ours.profile).notes[0]
    clock.now += timedelta(days=4)
    assert "PROVISIONAL: not valid since" in replica.show(ours.profile).notes[0]


def test_what_one_machine_is_to_use_in_a_rollout_is_told_without_network_until_it_is_undone(web, client, replica):
    ours = season(web)
    release(web, ours)
    draft(web, ours, "better")
    yard = web.made("POST", "/v1/machines", machine(ours, web.branch))["id"]
    begun = example("addRollout") | {"profile": ours.profile, "number": 2, "waves": [{"machines": [yard]}]}
    path = f"/v1/rollouts/{web.made('POST', '/v1/rollouts', begun)['rollout']['id']}"
    assert holds(replica.pull(client)) == wanted(web)
    assert replica.show(ours.profile).notes == [f"Machine {yard}: revision 2 instead"]
    held = replica.show(ours.profile, machine=yard)
    assert bytes(held.content) == web.send("GET", f"/v1/profiles/{ours.profile}/revisions/2/content").content
    assert held.notes == ["PROVISIONAL: on trial, not yet released to everybody"]
    assert replica.show(ours.profile, machine=ours.machine).entry.number == 1
    web.made("POST", f"{path}/undo", example("undoRollout"), If_Match="*")
    assert holds(replica.pull(client)) == wanted(web)
    assert replica.show(ours.profile, machine=yard).entry.number == 1
    assert replica.show(ours.profile).notes == []


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
    with (
        closing(sqlite3.connect(web.place.location)) as live,
        closing(sqlite3.connect(backup / "catchpan.sqlite")) as copy,
    ):
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


def test_copies_can_be_moved_as_files(web, client, replica, tmp_path, clock, path):
    release(web, season(web))
    replica.pull(client)
    replica.close()
    moved = tmp_path / "moved.replica"
    shutil.copy(path, moved)
    with Replica(moved, clock=clock) as other:
        assert holds(other.verify()) == wanted(web)
