"""``catchpan calendar``: what is due, in everybody's calendar program."""

import hashlib
import secrets
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cyclopts import App

from catchpan.cli.branch import branch_id
from catchpan.cli.connection import Common
from catchpan.cli.lookup import by_name
from catchpan.cli.organisation import hand_over
from catchpan.cli.printing import put, put_json, put_table
from catchpan.contract.organisations import Key, KeyRequest, Role

app = App(name="calendar", help="Addresses that calendar programs subscribe to.", help_format="plaintext")
HERE = "http://127.0.0.1:8420"
_DEFAULT = Common()


@app.command
def add(
    name: str,
    /,
    *,
    branch: str | None = None,
    days: int | None = None,
    file: Path | None = None,
    common: Common = _DEFAULT,
) -> None:
    """Make an address that shows what is due; it is shown once, on standard error, or written to a file.

    Example: catchpan calendar add "office calendar" --branch "North yard" --file calendar.txt

    Whoever has the address can read what is due, and nothing else. End it with catchpan calendar remove.

    Parameters
    ----------
    name
        Who will use it.
    branch
        Name or id of a branch, for its part alone.
    days
        For how many days it is valid; without end by default.
    file
        Where to write the address, with mode 0600.
    """
    secret = f"catchpan-{secrets.token_urlsafe(32)}"
    expires = None if days is None else datetime.now(UTC).replace(microsecond=0) + timedelta(days=days)
    with common.client(stores=True) as client:
        request = KeyRequest(
            name=name,
            role="calendar",
            hash=hashlib.sha256(secret.encode()).hexdigest(),
            branch=None if branch is None else branch_id(client, branch),
            expires=expires,
        )
        made = client.add_key(request)
    hand_over(f"{common.server or HERE}/v1/calendar.ics?token={secret}", file, what="address")
    if common.json:
        put_json(made)
    else:
        put(f"{made.name}   {made.id}")


@app.command(name="list")
def list_(*, common: Common = _DEFAULT) -> None:
    """List the calendars; their addresses are kept nowhere.

    Example: catchpan calendar list
    """
    with common.client(stores=True) as client:
        yards = {one.id: one.name for one in client.all_branches()}
        found = _calendars(client.keys().items)
    if common.json:
        put_json(found)
        return
    rows = [
        [one.name, "all" if one.branch is None else yards[one.branch], _day(one.expires), _day(one.last_used), one.id]
        for one in found
    ]
    put_table(["calendar", "branch", "valid until", "last used", "id"], rows)


@app.command
def remove(name: str, /, *, common: Common = _DEFAULT) -> None:
    """End a calendar: its address is refused within a second.

    Example: catchpan calendar remove "office calendar"

    Parameters
    ----------
    name
        Its name or id.
    """
    with common.client(stores=True) as client:
        found = by_name("calendar", name, lambda: _calendars(client.keys().items))
        ended = client.revoke_key(found.id)
    if common.json:
        put_json(ended)
    else:
        put(f"{ended.name} is ended")


def _calendars(found: list[Key]) -> list[Key]:
    """The keys of calendars that were not ended."""
    return [one for one in found if one.role == Role.CALENDAR and one.revoked is None]


def _day(instant: datetime | None) -> str:
    return "-" if instant is None else f"{instant:%Y-%m-%d}"
