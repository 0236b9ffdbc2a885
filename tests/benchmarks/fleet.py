"""What a fleet of many machines costs: ``python -m tests.benchmarks.fleet [machines]``.

Goals: a rollout over 10,000 machines is planned (a dry run over HTTP in this process, with the differences on the
ground) in under 2 s, in under 300 MB; as many machines are imported from a CSV file, with a dry run first and then in
one transaction, in under 30 s and 300 MB (``python -m tests.benchmarks.fleet import [machines]``).
"""

import resource
import statistics
import sys
import tempfile
import time
from pathlib import Path
from uuid import UUID

from sqlalchemy import insert

from catchpan import Catchpan
from catchpan.contract.branches import MachineRequest
from catchpan.digest import canonical
from catchpan.fleet.files import read_files
from catchpan.fleet.putting import put
from catchpan_service.local import open_app
from catchpan_service.store.tables import machines
from catchpan_service.store.writes import Written
from tests.releases import draft, release, write
from tests.scenario import season, serving


def furnish(web, ours, count):
    """So many machines of the kind, over 100 branches, straight into the table."""
    sites = [web.made("POST", "/v1/branches", {"name": f"Yard {one}"})["id"] for one in range(100)]

    def add(connection, organisation, stamp):
        rows = []
        for one in range(count):
            asked = MachineRequest(
                name=f"AH-{one:05}", branch=sites[one % len(sites)], machine_kind=ours.kind, tags=["bench"]
            )
            mirrors = {"branch": asked.branch, "machine_kind": asked.machine_kind}
            row = {"organisation": organisation, "id": stamp.new_id(), "version": 1, "name": asked.name}
            times = {"created": stamp.now, "changed": stamp.now}
            rows.append(row | {key: UUID(value) for key, value in mirrors.items()} | times | {"body": canonical(asked)})
        connection.execute(insert(machines), rows)
        return Written(None, ())

    write(web, add)


def main(count):
    with tempfile.TemporaryDirectory() as folder, serving(Path(folder)) as web:
        ours = season(web)
        release(web, ours)
        draft(web, ours, "better")
        furnish(web, ours, count)
        asked = {
            "profile": ours.profile, "number": 2, "reason": "bench", "failure_limit": 5,
            "waves": [{"share": {"value": 1, "unit": "%"}}, {"share": {"value": 20, "unit": "%"}}, {}],
            "soak": {"value": 24, "unit": "h"}, "deadline": {"value": 48, "unit": "h"},
            "success": {"value": 50, "unit": "%"},
        }  # fmt: skip
        seconds = [timed(lambda: web.made("POST", "/v1/rollouts?dry_run=true", asked)) for _ in range(5)]
        plan = web.made("POST", "/v1/rollouts?dry_run=true", asked)
        sizes = [wave["machines"] for wave in plan["rollout"]["waves"]]
        print(f"planning {sum(sizes)} machines in waves of {sizes}: {statistics.median(seconds):.2f} s (goal 2 s)")
        begun = timed(lambda: web.made("POST", "/v1/rollouts", asked))
        everything = timed(lambda: web.made("POST", "/v1/rollout-moves"))
        print(f"beginning it: {begun:.2f} s; a look at it by the scheduler: {everything:.2f} s")
        print(f"memory at most: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB (goal 300 MB)")


def import_fleet(count):
    """So many machines from a file, through the client and over HTTP in this process."""
    with tempfile.TemporaryDirectory() as folder:
        yards = "\n".join(f"Yard {one}" for one in range(100))
        rows = "\n".join(f"AH-{one:05},Yard {one % 100},Ride-on 120,invented {one},bench" for one in range(count))
        sources = {"branches": f"name\n{yards}\n", "machine_kinds": "name\nRide-on 120\n"}
        sources["machines"] = f"name,branch,machine kind,serial,tags\n{rows}\n"
        for name, text in sources.items():
            (Path(folder) / f"{name}.csv").write_text(text)
        app = open_app({"CATCHPAN_DATABASE": str(Path(folder) / "catchpan.sqlite")}, stores=True)
        with Catchpan.in_process(app) as client:
            for dry_run in (True, False):
                seconds = timed(lambda dry=dry_run: put_all(client, Path(folder), dry))
                print(f"{'dry run of' if dry_run else 'importing'} {count} machines: {seconds:.1f} s")
        print(f"memory at most: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB (goal 300 MB)")


def put_all(client, folder, dry_run):
    """Read the files and put them in place; every line must be new."""
    done = put(client, read_files([folder]), dry_run=dry_run, per_item=False, tell=lambda _: None)
    assert {answer.result.outcome for _, answer in done.answers} == {"added"}


def timed(run):
    """How long it took [s]."""
    began = time.perf_counter()
    run()
    return time.perf_counter() - began


if __name__ == "__main__":
    words = sys.argv[1:]
    run = import_fleet if words[:1] == ["import"] else main
    numbers = [int(word) for word in words if word.isdigit()]
    run(numbers[0] if numbers else 10_000)
