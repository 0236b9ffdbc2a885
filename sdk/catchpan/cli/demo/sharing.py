"""Step 9: from one machine to every yard, and proof that each holds exactly what the office released."""

import sqlite3
from contextlib import closing
from pathlib import Path

import msgspec

from catchpan.cli import branch, machine, profile, profile_moves, replica, rollout
from catchpan.cli.demo.stage import BY, Fleet, Stage
from catchpan.cli.demo.writing import Written
from catchpan.cli.printing import put
from catchpan.contract.profiles import Content, ReleaseRequest, Revision
from catchpan.contract.rollouts import RolloutRequest, WaveRequest
from catchpan.contract.running import CheckCatch, RunningReport
from catchpan.quantities import Ratio, Time


def release(stage: Stage, fleet: Fleet, written: Written) -> None:
    """A first wave, then everybody; two yards prove that they hold the same."""
    stage.step("Release it to every branch, and prove that each holds it")
    _first_wave(stage, fleet, written)
    stage.does("Everybody", f'catchpan profile release "{written.profile.name}" --reason "caught and checked on AH-07"')
    draft = stage.client.revision(written.profile.id, written.draft.number)
    reason = ReleaseRequest(reason="caught and checked on AH-07")
    released = stage.client.release_revision(written.profile.id, draft.number, reason, version=draft.version)
    put(f"{written.profile.name}, revision {released.number}: {released.state.value}")
    profile_moves.show_standing(released)
    profile.show_settings(stage.client, msgspec.json.decode(written.draft.content, type=Content))
    _copies(stage, fleet)
    _settings(stage, fleet, written)


def _first_wave(stage: Stage, fleet: Fleet, written: Written) -> None:
    stage.does("One machine first, then its yard: a plan of waves", "catchpan rollout start ... --wave ...")
    begun = stage.client.add_rollout(
        RolloutRequest(
            profile=written.profile.id,
            number=written.draft.number,
            waves=[WaveRequest(machines=[fleet.machines["AH-07"]]), WaveRequest(branches=[fleet.north])],
            soak=Time(0, "h"),
            success=Ratio(100, "%"),
            failure_limit=1,
            deadline=Time(48, "h"),
            reason="first of the season",
        )
    )
    rollout.show_plan(begun)
    stage.does("Both take it up in turn, parked, gates shut; check catches are accepted", "catchpan rollout advance")
    for name in ("AH-07", "AH-12"):
        take_up(stage, fleet.machines[name], written.draft, check="accepted")
        for _ in range(2):  # heard of, and soaked
            stage.client.advance_rollouts()
    rollout.show_rollout(stage.client.rollout(begun.rollout.id))


def take_up(stage: Stage, subject: str, draft: Revision, *, check: CheckCatch | None = None) -> None:
    """Say that a machine runs a revision."""
    said = RunningReport(
        profile=draft.profile,
        number=draft.number,
        digest=draft.digest,
        at=draft.created,
        by=BY,
        confirmed=True,
        check=check,
    )
    stage.client.report_running(subject, said)


def _copies(stage: Stage, fleet: Fleet) -> None:
    """Two yards pull over the network, one gets a stick; those that should hold the same prove it."""
    from catchpan.replica import Replica

    place, client = stage.place, stage.client
    stage.does("Pull it at the yards, and prove it", 'catchpan replica pull south.replica --branch "South yard"')
    with Replica(place / "north.replica") as copy:
        copy.pull(client, branch=fleet.north)
        copy.report_to(client)
    with Replica(place / "south.replica") as copy:
        told = copy.pull(client, branch=fleet.south)
        copy.report_to(client)
        replica.show_report(told, json=False)
    stage.does("Carry it to the third on a stick: no network in that shed", "catchpan replica export east.bundle")
    with Replica(place / "for-east.replica") as office:
        office.pull(client, branch=fleet.east)
        office.export(place / "east.bundle")
    put("   $ catchpan replica import east.bundle east.replica\n")
    with Replica(place / "east.replica") as copy:
        carried = copy.import_(place / "east.bundle")
        copy.report_to(client)
        replica.show_report(carried, json=False)
    same = "equal" if carried.manifest == told.manifest else "DIFFERENT"
    put(f"\nThe manifests of South yard and East yard are {same}; North yard holds its provisional profile besides.")
    stage.does("Somebody alters a copy: it is found, and mended", "catchpan replica verify south.replica")
    _spoil(place / "south.replica")
    with Replica(place / "south.replica") as copy:
        replica.show_report(copy.verify(), json=False)
        put("\n   $ catchpan replica pull south.replica\n")
        replica.show_report(copy.pull(client), json=False)
    stage.does("Which branch holds what", "catchpan sync status")
    branch.show_status(client.sync_status())


def _settings(stage: Stage, fleet: Fleet, written: Written) -> None:
    """Machines whose actuators differ are told positions of their own, so that all do the same."""
    stage.does("What each machine is to be set to", f'catchpan machine settings AH-07 "{written.profile.name}"')
    for name in ("AH-07", "AH-12"):
        machine.show_machine(stage.client.machine_settings(fleet.machines[name], written.profile.id), table=False)
        put()


def _spoil(path: Path) -> None:
    """Raise one digit of a content in a copy, as a failing stick or a meddler might."""
    with closing(sqlite3.connect(path)) as connection, connection:
        digest, body = connection.execute("SELECT digest, body FROM contents ORDER BY digest LIMIT 1").fetchone()
        spoilt = bytes(body).replace(b"3.2", b"4.2", 1)
        connection.execute("UPDATE contents SET body = ? WHERE digest = ?", (spoilt, digest))
