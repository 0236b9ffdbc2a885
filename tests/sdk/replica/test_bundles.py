"""A bundle file carries the same as the network, and is believed as little."""

import json
import random

import msgspec
import pytest

from catchpan.replica import Replica
from catchpan.replica.errors import (
    BundleError,
    DifferentError,
    EmptyError,
    ReplicaError,
    RolledBackError,
    WrongKeyError,
)
from tests.releases import release
from tests.scenario import season
from tests.sdk.replica.shed import client_of, holds, signed_by, state_of, wanted


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
    web, client, replica, carried, tmp_path, clock, path
):
    release(web, season(web, name="later "))
    replica.pull(client)
    before = state_of(path)
    with pytest.raises(RolledBackError):
        replica.import_(carried)
    assert state_of(path) == before
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
