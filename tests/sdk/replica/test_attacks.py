"""Who alters, forges, withholds or repeats what is sent is found out, and the last good copy serves."""

import json
from datetime import timedelta

import msgspec
import pytest

from catchpan.contract.sync import FeedPage, SignedHead, SnapshotPage, Target
from catchpan.errors import UnknownReferenceError
from catchpan.replica import pulling
from catchpan.replica.errors import (
    DifferentError,
    EmptyError,
    OutOfDateError,
    RolledBackError,
    WrongKeyError,
)
from catchpan_service.store import signers
from tests.releases import draft, release, write
from tests.scenario import season
from tests.sdk.replica.shed import Between, client_of, holds, put_aside, signed_by, state_of, wanted


def test_a_head_signed_by_another_key_is_refused_and_a_good_pull_follows(web, between, replica, path):
    release(web, season(web))
    replica.pull(between)
    before = state_of(path)

    def forged(call, answer):
        return signed_by(b"x" * 32, json.loads(bytes(answer.head))) if isinstance(answer, SignedHead) else answer

    between.alter = forged
    with pytest.raises(WrongKeyError, match="not signed by a key"):
        replica.pull(between)
    assert state_of(path) == before
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


def test_a_key_that_nobody_introduced_is_refused(web, between, replica, path):
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
    pulled = clock.now
    for behind in (timedelta(hours=2), timedelta(days=1)):
        clock.now = pulled - behind
        assert any("clock of this machine is behind" in note for note in replica.status().notes)
    clock.now = pulled - timedelta(minutes=30)
    assert replica.status().notes == []


def test_a_first_pull_by_a_clock_far_behind_is_doubted_too(web, client, replica, clock):
    office = clock.now
    replica._clock = lambda: office - timedelta(days=2)
    assert any("clock of this machine is behind" in note for note in replica.pull(client).notes)


def altered(content):
    body = bytearray(bytes(content))
    body[len(body) // 2] ^= 1
    return msgspec.Raw(bytes(body))


@pytest.mark.parametrize("kind", [SnapshotPage, FeedPage], ids=["snapshot", "changes"])
def test_an_altered_content_is_put_aside_and_the_last_good_copy_serves(web, between, replica, kind, path):
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
    assert len(put_aside(path)) == 1
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


class Endless(Between):
    """A client that somebody sends one snapshot page to, again and again."""

    following = staticmethod(lambda after: after)

    def run(self, call, *, idempotency_key=None):
        if call.path != "/v1/snapshot" or "after" not in call.query:
            answer = super().run(call, idempotency_key=idempotency_key)
            if call.path == "/v1/snapshot":
                self.first = msgspec.structs.replace(answer, next="again 0")
                return self.first
            return answer
        return msgspec.structs.replace(self.first, next=self.following(call.query["after"]))


@pytest.mark.parametrize(
    "following", [lambda after: after, lambda after: f"again {int(after.split()[1]) + 1}"], ids=["same", "others"]
)
def test_pages_without_end_are_cut_off(web, replica, monkeypatch, following):
    release(web, season(web))
    monkeypatch.setattr(pulling, "MOST_ITEMS", 50)
    with client_of(web, kind=Endless) as client:
        client.following = following
        with pytest.raises(DifferentError, match="without end"):
            replica.pull(client)
    with pytest.raises(EmptyError):
        replica.status()


def test_a_cursor_that_the_office_never_gave_ends_the_pull(web, between, replica):
    release(web, season(web))
    between.alter = lambda call, answer: (
        msgspec.structs.replace(answer, next="made up") if isinstance(answer, SnapshotPage) else answer
    )
    with pytest.raises(UnknownReferenceError):
        replica.pull(between)
    with pytest.raises(EmptyError):
        replica.status()
