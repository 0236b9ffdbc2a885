"""A branch's replica against git: ``python -m tests.benchmarks.sync [profiles]``.

S2: a fresh replica of 10,000 profiles of some 2 kB against ``git clone`` of the same bytes as files over a local
transport, then 10 changes against ``git fetch``; the service runs in a process of its own, on loopback. H6: an unchanged
poll against one of the app's health, which reads nothing. Interleaved rounds, medians.
"""

import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from uuid import UUID

import httpx
from uuid_utils.compat import uuid7

from catchpan.contract.machine_kinds import MachineKindRequest
from catchpan.contract.materials import MaterialRequest
from catchpan.contract.profiles import Content, ProfileRequest
from catchpan.digest import canonical, digest
from catchpan.replica import Replica
from catchpan_service import admin
from catchpan_service.app import system_clock
from catchpan_service.store import machine_kinds, materials, profiles, revisions
from catchpan_service.store.database import Database, Order
from catchpan_service.store.revisions import Draft
from catchpan_service.store.writes import Written
from tests.serving import Serving

ROUNDS, CHANGES, BYTES = 5, 10, 2000


def content(number: int, turn: int) -> bytes:
    """Canonical bytes of about 2 kB that differ from all others and do not compress to nothing."""
    text = "".join(digest(f"{number}/{turn}/{part}".encode())[7:] for part in range(BYTES // 64))
    return canonical(Content(format=1, note=text[:BYTES]))


def fill(database: Database, order: Order, count: int) -> list[UUID]:
    """Store and release so many profiles, a hundred in a write."""
    kinds = [
        database.write_now(machine_kinds.add, order, MachineKindRequest(name=f"Kind {one}")).id for one in range(100)
    ]
    made: list[UUID] = []

    def add(connection: Any, organisation: UUID, stamp: Any, first: int) -> Written[None]:
        product = materials.add(connection, organisation, stamp, MaterialRequest(name=f"Material {first}")).answer
        for number in range(first, min(first + 100, count)):
            asked = ProfileRequest(material=product.id, machine_kind=kinds[number - first], name=f"Profile {number}")
            profile = UUID(profiles.add(connection, organisation, stamp, asked).answer.id)
            made.append(profile)
            draft(connection, organisation, stamp, profile, number, 0)
        return Written(None, revisions.release(connection, organisation, stamp, made[-1], 1, None, "x").changes)

    def draft(connection: Any, organisation: UUID, stamp: Any, profile: UUID, number: int, turn: int) -> None:
        body = content(number, turn)
        revisions.add(connection, organisation, stamp, profile, Draft(body, digest(body)))
        if profile != made[-1] or number % 100 != 99:
            revisions.release(connection, organisation, stamp, profile, turn + 1, None, "x")

    for first in range(0, count, 100):
        database.write_now(add, order, first)
    return made


def change(client: Any, made: list[UUID], turn: int) -> list[tuple[int, bytes]]:
    """Release another revision of ten profiles; what their files hold now."""
    from catchpan.contract.profiles import ReleaseRequest, RevisionRequest

    told = []
    for step in range(CHANGES):
        number = (turn * 977 + step * 131) % len(made)
        asked = RevisionRequest(content=Content(format=1, note=f"{turn}/{step} " + "x" * (BYTES - 20)))
        saved = client.add_revision(str(made[number]), asked)
        reason = ReleaseRequest(reason="x", override="benchmark")
        client.release_revision(str(made[number]), saved.number, reason, version=saved.version)
        told.append((number, bytes(saved.content)))
    return told


def git(folder: Path, *words: str) -> None:
    """Run git quietly."""
    command = ["git", "-C", str(folder), "-c", "user.name=bench", "-c", "user.email=bench@example.invalid", *words]
    subprocess.run(command, check=True, capture_output=True)


def timed(run: Callable[[], Any]) -> float:
    """Seconds that it takes."""
    started = time.perf_counter()
    run()
    return time.perf_counter() - started


@contextmanager
def filled(folder: Path, count: int) -> Iterator[tuple[Serving, list[UUID], Path]]:
    """A service with so many released profiles, and a repository with the same bytes as files."""
    with Database.open(folder / "x.sqlite", clock=system_clock, new_id=uuid7) as database:
        admin.add_organisation(database, "Bench", units="us", new_id=uuid7)
        order = Order(admin.administrator(database, "Bench"), "fill")
        made = fill(database, order, count)
        (folder / "owner.key").write_text(admin.create_key(database, "Bench", "bench", role="owner").secret)
    origin = folder / "origin"
    origin.mkdir()
    git(origin, "init", "-q", "-b", "main")
    for number in range(count):
        (origin / f"{number}.json").write_bytes(content(number, 0))
    git(origin, "add", "-A")
    git(origin, "commit", "-qm", "all")
    git(origin, "repack", "-adq")
    with Serving(folder, CATCHPAN_LOG_REQUESTS="false") as serving:
        yield serving, made, origin


def polls(url: str, key: str) -> float:
    """Pace of unchanged polls over that of health."""
    with httpx.Client(base_url=url, headers={"authorization": f"Bearer {key}"}, timeout=60) as http:
        after = http.get("/v1/snapshot?limit=1").json()["next"]
        while after:
            page = http.get("/v1/snapshot", params={"limit": 200, "after": after}).json()
            after, cursor = page["next"], page["cursor"]
        path, held = f"/v1/changes?after={cursor}", {"if-none-match": f'"{cursor}"'}
        if http.get(path, headers=held).status_code != 304:
            raise RuntimeError("the poll was answered with something new")
        rounds = [
            timed(lambda: [http.get("/healthz") for _ in range(300)])
            / timed(lambda: [http.get(path, headers=held) for _ in range(300)])
            for _ in range(ROUNDS)
        ]
    return statistics.median(rounds)


def main() -> None:
    """Print the ratios."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with filled(folder, count) as (serving, made, origin), serving.client(deadline=60.0) as client:
            fresh, clones = [], []
            for turn in range(ROUNDS):
                with Replica(folder / f"{turn}.replica") as replica:
                    fresh.append(timed(lambda replica=replica: replica.pull(client)))
                clones.append(timed(lambda turn=turn: git(folder, "clone", "-q", f"file://{origin}", f"clone{turn}")))
            later, fetches = [], []
            with Replica(folder / "0.replica") as replica:
                for turn in range(ROUNDS):
                    for number, body in change(client, made, turn):
                        (origin / f"{number}.json").write_bytes(body)
                    git(origin, "commit", "-qam", "ten")
                    later.append(timed(lambda: replica.pull(client)))
                    fetches.append(timed(lambda: git(folder / "clone0", "fetch", "-q")))
                if replica.verify().manifest != client.manifest().manifest_digest:
                    raise RuntimeError("the replica is not what it should be")
            pace = polls(serving.url, serving.key)
    said = {"fresh pull over git clone": (fresh, clones), "10 changes over git fetch": (later, fetches)}
    for title, (ours, theirs) in said.items():
        ratios = [one / other for one, other in zip(ours, theirs, strict=True)]
        print(
            f"{title}, {count} profiles: {statistics.median(ratios):.2f} of its time"
            f" ({statistics.median(ours):.3f} s against {statistics.median(theirs):.3f} s)"
        )
    print(f"unchanged poll: {pace:.2f} of the pace of an answer that reads nothing")


if __name__ == "__main__":
    main()
