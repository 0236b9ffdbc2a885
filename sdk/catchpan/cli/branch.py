"""``catchpan branch`` and ``catchpan sync``: the sites of a company, and which of them holds what."""

from typing import Any

from cyclopts import App

from catchpan.cli.connection import Common
from catchpan.cli.printing import put, put_json, put_table
from catchpan.contract.branches import BranchRequest
from catchpan.contract.sync import SyncStatus
from catchpan.errors import MissingError

branch = App(name="branch", help="Branches of the organisation.", help_format="plaintext")
sync = App(name="sync", help="Which branch holds what.", help_format="plaintext")
_DEFAULT = Common()


@branch.command
def add(name: str, /, *, tag: list[str] | None = None, note: str = "", common: Common = _DEFAULT) -> None:
    """Add a branch.

    Example: catchpan branch add "North yard" --tag ice

    Parameters
    ----------
    name
        Its name.
    tag
        A word to pick it by; may be given several times.
    note
        Anything worth knowing.
    """
    with common.client(stores=True) as client:
        made = client.add_branch(BranchRequest(name=name, tags=tag or [], note=note))
    if common.json:
        put_json(made)
    else:
        put(f"{made.name}   {made.id}")


@branch.command(name="list")
def list_(*, common: Common = _DEFAULT) -> None:
    """List the branches.

    Example: catchpan branch list
    """
    with common.client(stores=True) as client:
        found = list(client.all_branches())
    if common.json:
        put_json(found)
    else:
        put_table(["branch", "tags", "id"], [[one.name, ", ".join(one.tags), one.id] for one in found])


def branch_id(client: Any, named: str) -> str:
    """The id of a branch by its name or id; MissingError."""
    found = list(client.all_branches())
    for one in found:
        if named in {one.id, one.name}:
            return str(one.id)
    raise MissingError(f"there is no branch {named!r}; there are {', '.join(one.name for one in found) or 'none'}")


@sync.command
def status(*, common: Common = _DEFAULT) -> None:
    """Say which branch is in step, behind, different or silent, since when, and why.

    Example: catchpan sync status
    """
    with common.client(stores=True) as client:
        told = client.sync_status()
    if common.json:
        put_json(told)
    else:
        show_status(told)


def show_status(told: SyncStatus) -> None:
    """Print how every branch stands."""
    rows = [
        [
            one.name,
            one.standing.value.replace("_", " "),
            "-" if one.reported is None else f"{one.reported:%Y-%m-%d %H:%M}",
            "-" if one.behind_since is None else f"{one.behind_since:%Y-%m-%d %H:%M}",
            one.why,
        ]
        for one in told.branches
    ]
    put_table(["branch", "standing", "reported (UTC)", "behind since (UTC)", "why"], rows)
    put()
    put(f"Position {told.position}, epoch {told.epoch}")
