"""What is heard of machines, and what follows from it at once: a check that was refused holds the rollout."""

from uuid import UUID

from sqlalchemy import Connection

from catchpan.contract.machine_checks import MachineCheckRequest
from catchpan.contract.running import Running, RunningReport
from catchpan_service.rules.checks import outcome
from catchpan_service.store import machine_checks, rollouts, running
from catchpan_service.store.machine_checks import Judge, Recorded
from catchpan_service.store.writes import Stamp, Written


def hear(
    connection: Connection,
    organisation: UUID,
    stamp: Stamp,
    machine: UUID,
    said: RunningReport,
    within: UUID | None = None,
) -> Written[Running]:
    """Keep what a machine is said to run; a check catch that was refused holds its rollout at once, if that is due.

    Raises
    ------
    NotFound, NotLegal
        As for ``running.report``.
    """
    written = running.report(connection, organisation, stamp, machine, said, within)
    if said.check != "refused":
        return written
    changes = rollouts.look_again(connection, organisation, stamp, UUID(said.profile))
    return Written(written.answer, (*written.changes, *changes))


def check(
    connection: Connection,
    organisation: UUID,
    stamp: Stamp,
    machine: UUID,
    record: MachineCheckRequest,
    judge: Judge,
    within: UUID | None = None,
) -> Written[Recorded]:
    """Record a check; one that is refused holds its rollout at once, if that is due.

    Raises
    ------
    NotFound
        As for ``machine_checks.add``.
    """
    written = machine_checks.add(connection, organisation, stamp, machine, record, judge, within)
    if outcome(written.answer.decision) != "refused":
        return written
    changes = rollouts.look_again(connection, organisation, stamp, UUID(record.profile))
    return Written(written.answer, (*written.changes, *changes))
