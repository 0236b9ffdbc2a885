"""``catchpan totals``: what went down, by branch, material and month."""

from datetime import datetime
from pathlib import Path
from typing import Final, Literal

from catchpan.cli.arguments import moment_of
from catchpan.cli.branch import branch_id
from catchpan.cli.connection import Common
from catchpan.cli.printing import put, put_json, put_table, told
from catchpan.contract.totals import Total
from catchpan.errors import TableError

_DEFAULT = Common()
FORMS: Final = {
    ".csv": "text/csv",
    ".xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}


def totals(
    *,
    since: datetime | None = None,
    until: datetime | None = None,
    by: Literal["month", "year"] = "month",
    branch: str | None = None,
    file: Path | None = None,
    common: Common = _DEFAULT,
) -> None:
    """Add up what went down: product and nutrients by branch, material and period.

    Example: catchpan totals --since 2026-01-01 --by year

    Parameters
    ----------
    since
        Jobs from this day on.
    until
        Jobs before this day.
    by
        Add up by month or by year.
    branch
        Name or id of one branch.
    file
        Write it to a file in place of printing it: .csv or .xlsx.
    """
    with common.client(stores=True) as client:
        asked = {
            "since": None if since is None else moment_of(since),
            "until": None if until is None else moment_of(until),
            "branch": None if branch is None else branch_id(client, branch),
            "by": by,
        }
        if file is not None:
            file.write_bytes(client.totals_file(_form(file), **asked))
            put(str(file))
            return
        found = list(client.all_totals(**asked))
    if common.json:
        put_json(found)
    else:
        show_totals(found)


def show_totals(found: list[Total]) -> None:
    """Print what went down."""
    if not found:
        put("No material was recorded as used.")
        return
    header = ["period", "branch", "material", "records", "used", "ground", "N", "P₂O₅", "K₂O"]
    put_table(header, [_row(one) for one in found])


def _row(one: Total) -> list[str]:
    ground = told(one.area) + (f" ({one.measured} of {one.records})" if one.measured < one.records else "")
    nutrients = (told(mass) for mass in (one.nitrogen, one.phosphate, one.potash))
    return [one.period, one.branch_name, one.material_name, str(one.records), told(one.used), ground, *nutrients]


def _form(file: Path) -> str:
    form = FORMS.get(file.suffix.lower())
    if form is None:
        raise TableError(f"{file}: a file for totals ends in {' or '.join(FORMS)}")
    return form
