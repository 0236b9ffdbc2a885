"""What is done with the revisions of a profile, as ``catchpan profile`` releases, withdraws and compares them."""

import sys
from typing import Annotated, Any

from cyclopts import Parameter, validators

from catchpan.cli.branch import branch_id
from catchpan.cli.connection import Common
from catchpan.cli.exits import USAGE
from catchpan.cli.lookup import by_name
from catchpan.cli.printing import confirmed, put, put_json, put_table, say
from catchpan.contract.profiles import (
    Profile,
    ProvisionalReleaseRequest,
    ReleaseRequest,
    RevisionSummary,
    WithdrawRequest,
)
from catchpan.errors import TableError

_DEFAULT = Common()
Days = Annotated[int, Parameter(validator=validators.Number(gte=1, lte=30))]
DONE = {True: "nothing stored: this was a dry run"}


def release(
    name: str,
    /,
    *,
    reason: str,
    revision: int | None = None,
    override: str | None = None,
    branch: str | None = None,
    days: Days = 7,
    dry_run: bool = False,
    common: Common = _DEFAULT,
) -> None:
    """Release a revision: it is frozen, and takes the place of the one in use; provisionally at one branch only.

    Example: catchpan profile release "Hollow Green 24-0-11 on Ride-on 120" --reason "caught and checked on AH-07"

    Parameters
    ----------
    name
        Name or id of the profile.
    reason
        Why it is released.
    revision
        Number of the revision; the latest by default.
    override
        An owner's reason to release in spite of a finding that stops.
    branch
        Name or id of the one branch that may use it provisionally.
    days
        For how many days that branch may.
    dry_run
        Say what would happen, and store nothing.
    """
    with common.client(stores=True) as client:
        profile, found = chosen_revision(client, name, revision)
        asked: Any = ReleaseRequest(reason=reason, override=override)
        send = client.release_revision
        if branch is not None:
            at = branch_id(client, branch)
            asked = ProvisionalReleaseRequest(branch=at, days=days, reason=reason, override=override)
            send = client.release_provisionally
        made = send(profile.id, found.number, asked, version=found.version, dry_run=dry_run)
    say(DONE.get(dry_run, f"released revision {made.number} of {profile.name}"))
    _print_summary(profile, made, common)


def withdraw(
    name: str,
    /,
    *,
    reason: str,
    because: str = "unsafe",
    revision: int | None = None,
    yes: bool = False,
    dry_run: bool = False,
    common: Common = _DEFAULT,
) -> None:
    """Withdraw a revision: nobody may use it any more.

    Example: catchpan profile withdraw "Hollow Green 24-0-11 on Ride-on 120" --reason "lot L2041 clumps" --yes

    Parameters
    ----------
    name
        Name or id of the profile.
    reason
        Why it is withdrawn.
    because
        unsafe, or replaced.
    revision
        Number of the revision; the one in use by default, else the latest.
    yes
        Do not ask.
    dry_run
        Say what would happen, and store nothing.
    """
    if because not in ("unsafe", "replaced"):
        raise TableError(f"--because is unsafe or replaced, not {because!r}")
    with common.client(stores=True) as client:
        profile = by_name("profile", name, client.all_profiles)
        profile, found = chosen_revision(client, profile.id, revision or profile.released)
        if not (yes or dry_run or confirmed(f"Withdraw revision {found.number} of {profile.name}?")):
            say("nothing was changed; --yes withdraws without asking")
            sys.exit(USAGE)
        request = WithdrawRequest(reason=reason, because=because)  # type: ignore[arg-type]
        made = client.withdraw_revision(profile.id, found.number, request, version=found.version, dry_run=dry_run)
    say(DONE.get(dry_run, f"withdrew revision {made.number} of {profile.name}"))
    _print_summary(profile, made, common)


def history(name: str, /, *, common: Common = _DEFAULT) -> None:
    """List the revisions of a profile, newest first.

    Example: catchpan profile history "Hollow Green 24-0-11 on Ride-on 120"

    Parameters
    ----------
    name
        Name or id of the profile.
    """
    with common.client(stores=True) as client:
        profile = by_name("profile", name, client.all_profiles)
        found = list(client.all_revisions(profile.id))
    if common.json:
        put_json(found)
        return
    rows = [
        [str(one.number), one.state.value, f"{one.changed:%Y-%m-%d %H:%M}", one.author, _why(one), one.digest[7:19]]
        for one in found
    ]
    put_table(["revision", "state", "changed (UTC)", "saved by", "why", "digest"], rows)


def _why(one: RevisionSummary) -> str:
    return one.withdrawn_reason or one.reason or one.note or "-"


def diff(name: str, before: int, after: int, /, *, common: Common = _DEFAULT) -> None:
    """Compare two revisions of a profile, in the trade's terms.

    Example: catchpan profile diff "Hollow Green 24-0-11 on Ride-on 120" 1 2

    Parameters
    ----------
    name
        Name or id of the profile.
    before
        Number of the earlier revision.
    after
        Number of the later revision.
    """
    with common.client(stores=True) as client:
        profile = by_name("profile", name, client.all_profiles)
        found = client.difference(profile.id, before, after)
    if common.json:
        put_json(found)
        return
    put(f"{profile.name}: revision {before} -> {after}")
    if not found.changes:
        put("  no difference")
    for one in found.changes:
        moved = "" if one.moved is None else f"   ({one.moved.value:+.1f} %{'' if one.within_tolerance else ', look'})"
        put(f"  {one.what}: {one.before} -> {one.after}{moved}")


def chosen_revision(client: Any, name: str, revision: int | None) -> tuple[Profile, RevisionSummary]:
    """A profile by its name or id, and one of its revisions: the latest by default."""
    profile: Profile = by_name("profile", name, client.all_profiles)
    wanted = revision or profile.latest
    if wanted is None:
        raise TableError(f"{profile.name} has no revision yet")
    return profile, client.revision(profile.id, wanted)


def _print_summary(profile: Profile, made: RevisionSummary, common: Common) -> None:
    if common.json:
        put_json(made)
        return
    put(f"{profile.name}, revision {made.number}: {made.state.value}")
    show_standing(made)


def show_standing(found: RevisionSummary) -> None:
    """Print when and why a revision was saved, released and withdrawn."""
    put(f"  saved {found.created:%Y-%m-%d %H:%M} by {found.author}; digest {found.digest[:19]}...")
    if found.released:
        put(f"  released {found.released:%Y-%m-%d %H:%M}: {found.reason}")
    if found.valid_until:
        put(f"  PROVISIONAL until {found.valid_until:%Y-%m-%d %H:%M}, at one branch: {found.reason}")
    if found.check_due:
        put(f"  check due {found.check_due:%Y-%m-%d}")
    if found.withdrawn:
        why = found.withdrawn_because.value if found.withdrawn_because else ""
        put(f"  WITHDRAWN {found.withdrawn:%Y-%m-%d %H:%M}, {why}: {found.withdrawn_reason}")
