"""``catchpan database`` and ``catchpan audit``: done on the database itself, with the service stopped."""

import os
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated

from cyclopts import App, Parameter, validators

from catchpan.cli.connection import service_module
from catchpan.cli.organisation import administration
from catchpan.cli.printing import put, put_json
from catchpan.errors import DamagedError, TableError

database = App(name="database", help="The database itself.", help_format="plaintext")
audit = App(name="audit", help="The chain of what was changed, when and by whom.", help_format="plaintext")
Json = Annotated[bool, Parameter(negative="")]
Days = Annotated[int, Parameter(validator=validators.Number(gte=1))]


@database.command
def restored(*, json: Json = False) -> None:
    """Say that the database was restored from a copy, so that every branch takes a snapshot and misses nothing.

    Example: catchpan database restored

    Parameters
    ----------
    json
        Print the answer as JSON.
    """
    with administration() as (opened, admin):
        found = admin.mark_restored(opened)
    if json:
        put_json(found)
    for one in found if not json else ():
        put(f"{one.name}: a new epoch has begun")


@database.command
def rotate_signing_key(organisation: str, /, *, json: Json = False) -> None:
    """Make another key that signs for an organisation; the one before vouches for it.

    Example: catchpan database rotate-signing-key "Alder Hollow Grounds"

    Parameters
    ----------
    organisation
        Name of the organisation.
    json
        Print the answer as JSON.
    """
    with administration() as (opened, admin):
        made = admin.rotate_signing_key(opened, organisation)
    if json:
        put_json(made)
    else:
        put(f"{organisation} signs with {made.key} from now on")


@database.command
def put_away(
    *, older_than: Annotated[int, Parameter(validator=validators.Number(gte=1))] = 400, json: Json = False
) -> None:
    """Forget what the feed told long ago; a branch that has not pulled since takes a snapshot.

    What was held when, contents and the audit chain are kept.

    Example: catchpan database put-away --older-than 400

    Parameters
    ----------
    older_than
        Days.
    json
        Print the answer as JSON.
    """
    before = datetime.now(UTC) - timedelta(days=older_than)
    with administration() as (opened, admin):
        found = admin.put_away(opened, before=before)
    if json:
        put_json([{"organisation": one.name, "through": through} for one, through in found])
    for one, through in found if not json else ():
        put(f"{one.name}: changes up to position {through} are put away")


@database.command
def backup(file: Path, /, *, json: Json = False) -> None:
    """Copy the SQLite database to a new file, whole and checked, also while the service works on it.

    Example: catchpan database backup /backups/monday.sqlite

    Parameters
    ----------
    file
        The file to write; it must not be there yet.
    json
        Print the answer as JSON.
    """
    errors = service_module("store.errors")
    place = service_module("settings").read_settings(os.environ).location
    try:
        service_module("store.backups").back_up(place, file)
    except errors.StoreError as error:
        raise TableError(str(error)) from error
    except OSError as error:
        raise TableError(f"{file}: {error.strerror}") from error
    if json:
        put_json({"file": str(file), "bytes": file.stat().st_size})
    else:
        put(f"{file}: {file.stat().st_size} bytes, whole; after restoring it run: catchpan database restored")


@audit.command
def verify(*, json: Json = False) -> None:
    """Check the audit chain of every organisation; fails where a row was altered, moved or taken out.

    Example: catchpan audit verify

    Parameters
    ----------
    json
        Print the answer as JSON.
    """
    with administration() as (opened, admin):
        found = admin.verify_audit(opened)
    if json:
        put_json([{"organisation": one.name, "breaks": breaks} for one, breaks in found])
    for one, breaks in found if not json else ():
        put(f"{one.name}: {'broken' if breaks else 'whole'}")
        for broken in breaks:
            put(f"  position {broken.position}: {broken.what}")
    if any(breaks for _, breaks in found):
        raise DamagedError("an audit chain does not hold: compare with a copy of the database")
