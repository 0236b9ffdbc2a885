"""``catchpan database`` and ``catchpan audit``: done on the database itself, with the service stopped."""

from typing import Annotated

from cyclopts import App, Parameter

from catchpan.cli.organisation import administration
from catchpan.cli.printing import put, put_json
from catchpan.errors import DamagedError

database = App(name="database", help="The database itself.", help_format="plaintext")
audit = App(name="audit", help="The chain of what was changed, when and by whom.", help_format="plaintext")
Json = Annotated[bool, Parameter(negative="")]


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
