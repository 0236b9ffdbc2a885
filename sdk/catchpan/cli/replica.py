"""``catchpan replica``: a branch's own verified copy, with and without network."""

from pathlib import Path
from typing import Annotated, Any

import msgspec
from cyclopts import App, Parameter

from catchpan.cli.branch import branch_id
from catchpan.cli.connection import Common
from catchpan.cli.printing import put, put_json, put_table, say
from catchpan.cli.profile import show_settings
from catchpan.contract.profiles import Content
from catchpan.errors import CatchpanError, DamagedError, NotInstalledError

app = App(name="replica", help="A verified copy of what was released, for a branch.", help_format="plaintext")
_DEFAULT = Common()
Json = Annotated[bool, Parameter(negative="")]
HERE = Path("catchpan.replica")


def _opened(path: Path) -> Any:
    try:
        from catchpan.replica import Replica
    except ImportError as error:
        raise NotInstalledError("a replica needs cryptography: pip install 'catchpan[replica]'") from error
    return Replica(path)


@app.command
def pull(file: Path = HERE, /, *, branch: str | None = None, pin: str | None = None, common: Common = _DEFAULT) -> None:
    """Bring the copy up to date, verify it, and tell the office what is held.

    Example: catchpan replica pull shed.replica --server http://office:8420

    Parameters
    ----------
    file
        The copy; made if it is not there.
    branch
        Name or id of the branch whose part is wanted; that of the key by default.
    pin
        Public key, in hex, that must sign the first head: have it read out by the office.
    """
    with _opened(file) as replica, common.client(stores=True) as client:
        told = replica.pull(client, branch=branch and branch_id(client, branch), pin=pin)
        try:
            replica.report_to(client)
        except CatchpanError as error:
            say(f"Pulled, but the office could not be told: {error}")
    show_report(told, json=common.json)


@app.command
def status(file: Path = HERE, /, *, json: Json = False) -> None:
    """Say what is held here and how old its proof is; needs no network.

    Example: catchpan replica status shed.replica

    Parameters
    ----------
    file
        The copy.
    json
        Print the answer as JSON.
    """
    with _opened(file) as replica:
        told, entries = replica.status(), replica.profiles()
    if json:
        put_json(told)
        return
    rows = [
        [one.name, str(one.number), one.state.value, "-" if one.check_due is None else f"{one.check_due:%Y-%m-%d}"]
        for one in entries
    ]
    put_table(["profile", "revision", "state", "check due"], rows)
    put()
    show_report(told, json=False)


@app.command
def verify(file: Path = HERE, /, *, json: Json = False) -> None:
    """Check every byte that is held against what was signed; needs no network.

    Example: catchpan replica verify shed.replica

    Parameters
    ----------
    file
        The copy.
    json
        Print the answer as JSON.
    """
    with _opened(file) as replica:
        told = replica.verify()
    show_report(told, json=json)
    if told.damaged:
        raise DamagedError(f"{told.damaged} contents are damaged on this machine; pull again to mend them")


@app.command
def show(profile: str, file: Path = HERE, /, *, machine: str | None = None, json: Json = False) -> None:
    """Show a profile as it is held here, verified as it is read; needs no network.

    Example: catchpan replica show "Hollow Green on ride-ons" shed.replica

    Parameters
    ----------
    profile
        Its name or id.
    file
        The copy.
    machine
        Id of a machine, for what it alone is to use.
    json
        Print the content as JSON.
    """
    with _opened(file) as replica:
        held = replica.show(profile, machine=machine)
    if json:
        put_json(held.content)
        return
    content = msgspec.json.decode(held.content, type=Content)
    put(f"{held.entry.name}, revision {held.entry.number} ({held.entry.state.value})")
    for note in held.notes:
        put(f"! {note}")
    put()
    try:
        with Common().client() as client:
            show_settings(client, content)
    except NotInstalledError as error:
        show_settings(None, content)
        say(f"No openings here: {error}")
    put()
    put(f"Content {held.entry.digest}")


@app.command
def export(bundle: Path, file: Path = HERE, /, *, json: Json = False) -> None:
    """Write everything that is held as one signed bundle file, for a stick; needs no network.

    Example: catchpan replica export north.bundle shed.replica

    Parameters
    ----------
    bundle
        The file to write.
    file
        The copy.
    json
        Print the answer as JSON.
    """
    with _opened(file) as replica:
        told = replica.export(bundle)
    show_report(told, json=json)


@app.command(name="import")
def import_(bundle: Path, file: Path = HERE, /, *, pin: str | None = None, json: Json = False) -> None:
    """Take over a bundle file, verified like a pull; needs no network.

    Example: catchpan replica import north.bundle shed.replica

    Parameters
    ----------
    bundle
        The file to read.
    file
        The copy; made if it is not there.
    pin
        Public key, in hex, that must have signed, where nothing is held yet.
    json
        Print the answer as JSON.
    """
    with _opened(file) as replica:
        told = replica.import_(bundle, pin=pin)
    show_report(told, json=json)


def show_report(told: Any, *, json: bool) -> None:
    """Print what a copy holds."""
    if json:
        put_json(told)
        return
    for note in told.notes:
        put(f"! {note}")
    count = f"{told.profiles} profile{'' if told.profiles == 1 else 's'}"
    put(f"Holds     {count}, pulled {told.pulled:%Y-%m-%d %H:%M} UTC")
    put(f"Proved    until {told.proved_until:%Y-%m-%d %H:%M} UTC")
    put(f"Manifest  {told.manifest}")
    put(f"Scope     {told.scope}, position {told.position}, epoch {told.epoch}")
