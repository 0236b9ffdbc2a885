"""What the replicas of branches said that they hold."""

from datetime import datetime
from typing import Any, Final, NamedTuple
from uuid import UUID

from sqlalchemy import Connection, delete, insert, select

from catchpan.contract.sync import ReplicaReport
from catchpan_service.store import branches
from catchpan_service.store.statements import of, owned
from catchpan_service.store.tables import branches as branch_table
from catchpan_service.store.tables import replicas
from catchpan_service.store.writes import Stamp, Written

_ADD: Final = insert(replicas)
_DROP: Final = delete(replicas).where(*owned(replicas, "branch"))
_ALL: Final = (
    select(branch_table.c.id, branch_table.c.name, replicas)
    .outerjoin(
        replicas,
        (replicas.c.organisation == branch_table.c.organisation) & (replicas.c.branch == branch_table.c.id),
    )
    .where(*owned(branch_table))
    .order_by(branch_table.c.name)
)


class Heard(NamedTuple):
    """A branch, and what its replica last said; ``at`` and ``report`` are None for one that was never heard of."""

    branch: UUID
    name: str
    at: datetime | None
    report: ReplicaReport | None


def report(
    connection: Connection, organisation: UUID, stamp: Stamp, branch: UUID, said: ReplicaReport
) -> Written[ReplicaReport]:
    """Keep what the replica of a branch says that it holds; NotFound. It leaves no trace in feed or audit chain."""
    branches.get(connection, organisation, branch)
    connection.execute(_DROP, of(organisation, branch=branch))
    row: dict[str, Any] = {name: getattr(said, name) for name in said.__struct_fields__}
    connection.execute(
        _ADD, row | {"organisation": organisation, "branch": branch, "at": stamp.now, "key": stamp.access.key}
    )
    return Written(said, ())


def all_of_them(connection: Connection, organisation: UUID) -> list[Heard]:
    """Every branch by name, with what its replica last said."""
    found = []
    for row in connection.execute(_ALL, of(organisation)):
        known = row.at is not None
        said = (
            ReplicaReport(epoch=row.epoch, position=row.position, manifest=row.manifest, exceptions=row.exceptions)
            if known
            else None
        )
        found.append(Heard(row.id, row.name, row.at, said))
    return found
