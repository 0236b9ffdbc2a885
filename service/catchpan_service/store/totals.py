"""What went down, added up in the database: by period, branch and material."""

from datetime import datetime
from typing import Any, Final, Literal, NamedTuple
from uuid import UUID

from sqlalchemy import Connection, RowMapping, Select, Uuid, and_, bindparam, func, literal_column, select, tuple_

from catchpan_service.store import cursors
from catchpan_service.store.statements import of, owned
from catchpan_service.store.tables import Text, branches, checks, materials

KIND: Final = "totals"
MOST: Final = 10_000
Period = Literal["month", "year"]
_LENGTHS: Final[dict[Period, str]] = {"month": "7", "year": "4"}
_SUMS: Final = ("used", "area", "nitrogen", "phosphate", "potash")


class Totals(NamedTuple):
    """One page of totals, and the cursor that follows."""

    rows: list[RowMapping]
    following: str | None


def _totals(period: Period, *, of_branch: bool) -> Select[Any]:
    when = func.substr(checks.c.month, literal_column("1"), literal_column(_LENGTHS[period]))
    place = (when, checks.c.branch, checks.c.material)
    after = tuple_(
        bindparam("after_period", type_=Text),
        bindparam("after_branch", type_=Uuid),
        bindparam("after_material", type_=Uuid),
    )
    statement = (
        select(
            when.label("period"),
            checks.c.branch,
            checks.c.material,
            func.max(branches.c.name).label("branch_name"),
            func.max(materials.c.name).label("material_name"),
            func.count().label("records"),
            func.count(checks.c.area).label("measured"),
            *(func.sum(checks.c[name]).label(name) for name in _SUMS),
        )
        .join(branches, and_(branches.c.organisation == checks.c.organisation, branches.c.id == checks.c.branch))
        .join(materials, and_(materials.c.organisation == checks.c.organisation, materials.c.id == checks.c.material))
        .where(
            *owned(checks, *(["branch"] if of_branch else [])),
            checks.c.struck.is_(None),
            checks.c.used.is_not(None),
            checks.c.at >= bindparam("since"),
            checks.c.at < bindparam("until"),
            tuple_(*place) > after,
        )
    )
    return statement.group_by(*place).order_by(*place).limit(bindparam("most"))


_STATEMENTS: Final = {
    (period, of_branch): _totals(period, of_branch=of_branch) for period in _LENGTHS for of_branch in (False, True)
}


def page(
    connection: Connection,
    organisation: UUID,
    period: Period,
    since: datetime,
    until: datetime,
    cursor: str | None,
    limit: int,
    within: UUID | None = None,
) -> Totals:
    """One page of what was used from ``since`` until before ``until``, of one branch or of all; BadCursor."""
    scope = f"{KIND}/{period}"
    after = cursors.read(organisation, scope, cursor).split("/") if cursor else ["", str(UUID(int=0)), str(UUID(int=0))]
    asked: dict[str, Any] = of(organisation) | {"since": since, "until": until, "most": limit + 1}
    asked |= {"after_period": after[0], "after_branch": UUID(after[1]), "after_material": UUID(after[2])}
    if within is not None:
        asked |= of(organisation, branch=within)
    found = connection.execute(_STATEMENTS[period, within is not None], asked).mappings().all()
    rows, last = list(found[:limit]), found[limit - 1] if len(found) > limit else None
    place = None if last is None else "/".join(map(str, (last["period"], last["branch"], last["material"])))
    return Totals(rows, None if place is None else cursors.write(organisation, scope, place))
