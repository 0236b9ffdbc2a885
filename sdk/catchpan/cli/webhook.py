"""``catchpan webhook``: addresses that the service tells of changes by itself."""

import sys
from datetime import datetime
from pathlib import Path
from typing import Annotated

from cyclopts import App, Parameter

from catchpan.cli.connection import Common
from catchpan.cli.exits import USAGE
from catchpan.cli.organisation import hand_over
from catchpan.cli.printing import confirmed, put_json, put_table, say
from catchpan.contract.webhooks import Delivery, EventKind, Webhook
from catchpan.webhooks import new_secret

app = App(name="webhook", help="Addresses that hear of changes.", help_format="plaintext")
_DEFAULT = Common()
Kinds = Annotated[list[EventKind] | None, Parameter(negative="")]


@app.command
def add(
    url: str,
    /,
    *,
    events: Kinds = None,
    file: Path | None = None,
    dry_run: bool = False,
    common: Common = _DEFAULT,
) -> None:
    """Tell an address of changes; the secret is shown once, on standard error, or written to a file only you can read.

    Example: catchpan webhook add https://hooks.alder-hollow.example/catchpan --events revision --file hook.secret

    Parameters
    ----------
    url
        Where messages are sent, by https.
    events
        A kind of things whose changes are told, such as revision; give it again for more. All of them by default.
    file
        Where to write the secret, with mode 0600.
    dry_run
        Say what would be stored, and store nothing.
    """
    secret = new_secret()
    with common.client(stores=True) as client:
        made = client.add_webhook(url, secret, events=events or (), dry_run=dry_run)
    if dry_run:
        say("nothing stored: this was a dry run")
    else:
        hand_over(secret, file, what="secret of the webhook")
    _print([made], common)


@app.command(name="list")
def list_(*, all: bool = False, common: Common = _DEFAULT) -> None:
    """List the webhooks; secrets are never shown again.

    Example: catchpan webhook list

    Parameters
    ----------
    all
        Those too that were ended.
    """
    with common.client(stores=True) as client:
        found = [one for one in client.all_webhooks() if all or one.ended is None]
    _print(found, common)


@app.command
def show(id: str, /, *, common: Common = _DEFAULT) -> None:
    """Show one webhook, and why nothing is sent to it, if so.

    Example: catchpan webhook show 01900000-0000-7000-8000-000000000001

    Parameters
    ----------
    id
        Its id, as the list shows it.
    """
    with common.client(stores=True) as client:
        found = client.webhook(id)
    _print([found], common)
    if found.why is not None:
        say(f"nothing is sent since {_day(found.disabled)}: {found.why}")


@app.command
def rotate(id: str, /, *, file: Path | None = None, dry_run: bool = False, common: Common = _DEFAULT) -> None:
    """Give a webhook another secret; for 24 hours the one before signs too.

    Example: catchpan webhook rotate 01900000-0000-7000-8000-000000000001 --file hook.secret

    Parameters
    ----------
    id
        Its id, as the list shows it.
    file
        Where to write the new secret, with mode 0600.
    dry_run
        Say what would happen, and change nothing.
    """
    secret = new_secret()
    with common.client(stores=True) as client:
        made = client.rotate_webhook(id, secret, dry_run=dry_run)
    if dry_run:
        say("nothing changed: this was a dry run")
    else:
        hand_over(secret, file, what="new secret of the webhook")
    _print([made], common)


@app.command(name="try")
def try_(id: str, /, *, common: Common = _DEFAULT) -> None:
    """Send a webhook a message that tells of nothing but itself; see catchpan webhook deliveries for what came of it.

    Example: catchpan webhook try 01900000-0000-7000-8000-000000000001

    Parameters
    ----------
    id
        Its id, as the list shows it.
    """
    with common.client(stores=True) as client:
        made = client.try_webhook(id)
    _print_deliveries([made], common)


@app.command
def deliveries(id: str, /, *, open: bool = False, common: Common = _DEFAULT) -> None:
    """List what was sent to a webhook in the last 30 days, newest first, and what came of it.

    Example: catchpan webhook deliveries 01900000-0000-7000-8000-000000000001

    Parameters
    ----------
    id
        Its id, as the list shows it.
    open
        Only what did not arrive.
    """
    with common.client(stores=True) as client:
        found = [one for one in client.all_deliveries(id) if not open or one.delivered is None]
    _print_deliveries(found, common)


@app.command
def resume(id: str, /, *, dry_run: bool = False, common: Common = _DEFAULT) -> None:
    """Send again to a webhook that was disabled; what changed meanwhile is in the feed.

    Example: catchpan webhook resume 01900000-0000-7000-8000-000000000001

    Parameters
    ----------
    id
        Its id, as the list shows it.
    dry_run
        Say what would happen, and change nothing.
    """
    with common.client(stores=True) as client:
        made = client.resume_webhook(id, dry_run=dry_run)
    say("nothing changed: this was a dry run" if dry_run else "it hears of changes from now on")
    _print([made], common)


@app.command
def end(id: str, /, *, yes: bool = False, dry_run: bool = False, common: Common = _DEFAULT) -> None:
    """Send nothing more to a webhook, give up what waits for it, and forget its secrets.

    Example: catchpan webhook end 01900000-0000-7000-8000-000000000001 --yes

    Parameters
    ----------
    id
        Its id, as the list shows it.
    yes
        Do not ask.
    dry_run
        Say what would happen, and change nothing.
    """
    with common.client(stores=True) as client:
        found = client.webhook(id)
        if not (yes or dry_run or confirmed(f"End the webhook to {found.url}?")):
            say("nothing was changed; --yes ends it without asking")
            sys.exit(USAGE)
        made = client.end_webhook(id, dry_run=dry_run)
    say("nothing changed: this was a dry run" if dry_run else "nothing more is sent there")
    _print([made], common)


def _print(found: list[Webhook], common: Common) -> None:
    if common.json:
        put_json(found)
        return
    rows = [[one.url, ", ".join(one.events) or "all", _state(one), _day(one.created), one.id] for one in found]
    put_table(["address", "events", "state", "added", "id"], rows)


def _state(one: Webhook) -> str:
    if one.ended is not None:
        return f"ended {one.ended:%Y-%m-%d}"
    return "on" if one.disabled is None else f"disabled {one.disabled:%Y-%m-%d}"


def _print_deliveries(found: list[Delivery], common: Common) -> None:
    if common.json:
        put_json(found)
        return
    rows = [[_day(one.made), one.type, str(one.attempts), _came(one), _day(one.next_attempt), one.id] for one in found]
    put_table(["made", "type", "attempts", "what came of it", "next attempt", "id"], rows)


def _came(one: Delivery) -> str:
    said = " ".join(part for part in (str(one.status or ""), one.answer or "waits") if part)
    return said if one.given_up is None else f"given up: {said}"


def _day(instant: datetime | None) -> str:
    return "-" if instant is None else f"{instant:%Y-%m-%d %H:%M}"
