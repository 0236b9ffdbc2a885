"""Which machines want attention this month: to be commissioned, checked or calibrated, branch by branch.

    CATCHPAN_KEY=catchpan-... python due_this_month.py http://127.0.0.1:8420
    CATCHPAN_KEY=catchpan-... python due_this_month.py http://127.0.0.1:8420 --month 2031-05

A reader's key is enough. Machines are commissioned one by one. A profile is for all machines of its kind, so where its
check is due, or its provisional revision ends, one of them has to be caught: all that could be are named. What is
overdue is listed too.
"""

import argparse
import os
from collections import defaultdict
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, timedelta

from catchpan import Catchpan
from catchpan.contract.branches import Machine
from catchpan.contract.dues import Due, DueKind

WORK = {
    DueKind.COMMISSIONING: "commission {machines}",
    DueKind.CHECK: "check {profile}: catch with one of {machines}",
    DueKind.CALIBRATION: "calibrate {profile}, provisional until then: catch with one of {machines}",
}


def main() -> None:
    """Print the month's work of every branch."""
    asked = argparse.ArgumentParser(description="List the machines that want attention in a month.")
    asked.add_argument("server", help="address of the service")
    asked.add_argument("--month", type=month, default=datetime.now(UTC), help="such as 2031-05; this month by default")
    told = asked.parse_args()
    with Catchpan(told.server, key=os.environ["CATCHPAN_KEY"]) as client:
        for branch, work in sorted(work_by_branch(client, end_of(told.month)).items()):
            print(branch)
            for line in work:
                print(f"  {line}")


def month(text: str) -> datetime:
    """The beginning of a month, in UTC."""
    return datetime.strptime(text, "%Y-%m").replace(tzinfo=UTC)


def end_of(moment: datetime) -> datetime:
    """The last millisecond of a month."""
    within_next = moment.replace(day=1, hour=0, minute=0, second=0, microsecond=0) + timedelta(days=32)
    return within_next.replace(day=1) - timedelta(milliseconds=1)


def work_by_branch(client: Catchpan, until: datetime) -> dict[str, list[str]]:
    """What is to be done until an instant, by the names of branches, the most urgent first."""
    names = {one.id: one.name for one in client.all_branches()}
    machines = list(client.all_machines())
    found: dict[str, list[str]] = defaultdict(list)
    for due in sorted(client.all_dues(until=until), key=urgency):
        for branch, those in by_branch(concerned(client, due, machines)):
            when = "never yet " if due.due is None else f"{due.due:%Y-%m-%d}"
            work = WORK[due.kind].format(profile=due.name, machines=", ".join(one.name for one in those))
            found[names[branch]].append(f"{when}  {work}")
    return found


def urgency(due: Due) -> tuple[bool, float]:
    """What was never done comes first, then what is due longest."""
    return due.due is not None, due.due.timestamp() if due.due else 0.0


def concerned(client: Catchpan, due: Due, machines: Iterable[Machine]) -> list[Machine]:
    """The machine to be commissioned, or those that a profile is for, where it is due."""
    if due.kind == DueKind.COMMISSIONING:
        return [one for one in machines if one.id == due.subject]
    kind = client.profile(due.subject).machine_kind
    return [one for one in machines if one.machine_kind == kind and due.branch in {None, one.branch}]


def by_branch(machines: Iterable[Machine]) -> Iterator[tuple[str, list[Machine]]]:
    """Machines by the branch where they stand."""
    found: dict[str, list[Machine]] = defaultdict(list)
    for one in machines:
        found[one.branch].append(one)
    yield from found.items()


if __name__ == "__main__":
    main()
