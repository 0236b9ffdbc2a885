"""``catchpan due``: what wants to be checked, calibrated or commissioned."""

from datetime import UTC, datetime, timedelta
from typing import Annotated

from cyclopts import Parameter, validators

from catchpan.cli.branch import branch_id
from catchpan.cli.connection import Common
from catchpan.cli.printing import put, put_json, put_table
from catchpan.contract.dues import Due

_DEFAULT = Common()
Days = Annotated[int, Parameter(validator=validators.Number(gte=0, lte=4000))]


def due(*, days: Days = 31, branch: str | None = None, common: Common = _DEFAULT) -> None:
    """List what is due, or will be within some days, the most urgent first.

    Example: catchpan due --days 31 --branch "North yard"

    Parameters
    ----------
    days
        From today on.
    branch
        Name or id of one branch.
    """
    with common.client(stores=True) as client:
        yards = {one.id: one.name for one in client.all_branches()}
        at = None if branch is None else branch_id(client, branch)
        found = list(client.all_dues(until=datetime.now(UTC) + timedelta(days=days), branch=at))
    if common.json:
        put_json(found)
    elif found:
        put_table(["due", "what", "of", "branch"], [_row(one, yards) for one in found])
    else:
        put(f"Nothing is due within {days} days.")


def _row(one: Due, yards: dict[str, str]) -> list[str]:
    when = "never done" if one.due is None else f"{one.due:%Y-%m-%d}"
    where = "all" if one.branch is None else yards.get(one.branch, one.branch)
    return [when, one.kind.value, one.name, where]
