"""``catchpan profile``: all settings of one material on one machine kind, revision by revision."""

import sys
from pathlib import Path
from typing import Annotated, Any

import msgspec
from cyclopts import App, Parameter, validators

from catchpan.cli.arguments import AnArea, ARate
from catchpan.cli.branch import branch_id
from catchpan.cli.connection import Common
from catchpan.cli.exits import USAGE
from catchpan.cli.files import read_curve
from catchpan.cli.lookup import by_name
from catchpan.cli.printing import confirmed, number, put, put_findings, put_json, put_table, say, told
from catchpan.cli.settings import parse_pass, parse_work
from catchpan.contract.curves import AskedForm, FlowCurveRequest
from catchpan.contract.openings import OpeningRequest
from catchpan.contract.overlaps import OverlapRequest
from catchpan.contract.priors import ProvisionalRequest
from catchpan.contract.profiles import (
    Conditions,
    Content,
    PanTest,
    Profile,
    ProfileRequest,
    ProvisionalReleaseRequest,
    ReleaseRequest,
    RevisionRequest,
    RevisionSummary,
    WithdrawRequest,
)
from catchpan.errors import TableError
from catchpan.tables import read_catches, read_pans

app = App(name="profile", help="Save, release and compare profiles.", help_format="plaintext")
_DEFAULT = Common()
Days = Annotated[int, Parameter(validator=validators.Number(gte=1, lte=30))]
_DONE = {True: "nothing stored: this was a dry run"}


@app.command
def save(
    *,
    material: str,
    machine_kind: str,
    content: Path | None = None,
    catches: Path | None = None,
    form: AskedForm = "auto",
    borrow: Path | None = None,
    pans: Path | None = None,
    pan_area: AnArea | None = None,
    pan_passes: int = 1,
    pass_: list[str] | None = None,
    work: list[str] | None = None,
    label_highest_rate: ARate | None = None,
    machine: str = "",
    lot: str = "",
    by: str = "",
    note: str = "",
    replace: int | None = None,
    dry_run: bool = False,
    common: Common = _DEFAULT,
) -> None:
    """Save a draft of a profile: its catches, pan test, passes and work rates.

    Example: catchpan profile save --material "Hollow Green 24-0-11" --machine-kind "Ride-on 120" --catches catches.csv
    --pass "open lawn, overlapped, 11 ft" --work "feeding, 3.2 lb/1000ft2, 3.5 mph, open lawn"

    Parameters
    ----------
    material
        Name or id of the material.
    machine_kind
        Name or id of the machine kind.
    content
        A JSON file with the whole content, in place of the options below.
    catches
        A catch file (CSV).
    form
        Form of the flow curve: auto, offset_power, power or monotone.
    borrow
        The curve of a like material, to be corrected by the catches: its JSON, or its catch file. Such a profile serves
        one branch, for some days.
    pans
        A pan file (CSV).
    pan_area
        Opening of one pan.
    pan_passes
        How often each row of pans was driven over.
    pass_
        A pass: name, overlapped or edge, width; may be given several times.
    work
        A work rate: purpose, rate, speed, name of its pass; may be given several times.
    label_highest_rate
        The most that the label allows, where it differs from the material's.
    machine
        The machine that was caught.
    lot
        The lot that was caught.
    by
        Who caught.
    note
        Anything worth knowing of this revision.
    replace
        Number of a draft to replace, in place of a new one.
    dry_run
        Say what would happen, and store nothing.
    """
    given = locals()
    with common.client(stores=True) as client:
        whole = _read_content(content) if content else _content(given, client)
        profile = _profile_for(client, material, machine_kind, dry_run)
        request = RevisionRequest(content=whole, parent=None if replace else profile.latest, note=note)
        if replace:
            version = client.revision(profile.id, replace).version
            made = client.replace_revision(profile.id, replace, request, version=version, dry_run=dry_run)
        else:
            made = client.add_revision(profile.id, request, dry_run=dry_run)
    say(_DONE.get(dry_run, f"saved draft {made.number} of {profile.name}"))
    if common.json:
        put_json(made)
        return
    put(f"{profile.name}, revision {made.number}: {made.state.value}, digest {made.digest[:19]}...")
    put_findings(made.findings)


def _read_content(path: Path) -> Content:
    try:
        return msgspec.json.decode(path.read_bytes(), type=Content)
    except OSError as error:
        raise TableError(f"{path}: {error.strerror}") from error
    except msgspec.DecodeError as error:
        raise TableError(f"{path.name} is no content of a profile: {error}") from error


def _content(given: dict[str, Any], client: Any) -> Content:
    calibration, loan, tests = None, None, []
    if given["borrow"]:
        if not given["catches"]:
            raise TableError("--borrow needs --catches: check catches of this material, at two openings far apart")
        loan = ProvisionalRequest(curve=read_curve(given["borrow"], client), catches=read_catches(given["catches"]))
    elif given["catches"]:
        calibration = FlowCurveRequest(catches=read_catches(given["catches"]), form=given["form"])
    if given["pans"]:
        if given["pan_area"] is None:
            raise TableError("--pans needs --pan-area, the opening of one pan, such as '1 ft2'")
        positions, rows = read_pans(given["pans"], passes=given["pan_passes"])
        tests = [PanTest(test=OverlapRequest(positions=positions, rows=rows, pan_area=given["pan_area"]))]
    known = {name: given[name] for name in ("machine", "lot", "by") if given[name]}
    return Content(
        format=1,
        calibration=calibration,
        conditions=Conditions(**known) if known else None,
        pan_tests=tests,
        passes=[parse_pass(text) for text in given["pass_"] or []],
        work_rates=[parse_work(text) for text in given["work"] or []],
        label_highest_rate=given["label_highest_rate"],
        loan=loan,
    )


def _profile_for(client: Any, material: str, machine_kind: str, dry_run: bool) -> Profile:
    """The profile of a material on a machine kind; made where there is none."""
    product = by_name("material", material, client.all_materials)
    kind = by_name("machine kind", machine_kind, client.all_machine_kinds)
    for one in client.all_profiles():
        found: Profile = one
        if (found.material, found.machine_kind) == (product.id, kind.id):
            return found
    request = ProfileRequest(material=product.id, machine_kind=kind.id, name=f"{product.name} on {kind.name}")
    if dry_run:
        client.add_profile(request, dry_run=True)
        raise TableError(f"there is no profile {request.name!r} yet to try a draft on; save one without --dry-run")
    made: Profile = client.add_profile(request)
    return made


@app.command(name="list")
def list_(*, common: Common = _DEFAULT) -> None:
    """List the profiles.

    Example: catchpan profile list
    """
    with common.client(stores=True) as client:
        found = list(client.all_profiles())
    if common.json:
        put_json(found)
        return
    rows = [[one.name, _or_dash(one.released), _or_dash(one.latest), f"{one.changed:%Y-%m-%d %H:%M}"] for one in found]
    put_table(["profile", "in use", "latest", "changed (UTC)"], rows)


@app.command
def show(name: str, /, *, revision: int | None = None, common: Common = _DEFAULT) -> None:
    """Show the settings of a profile: the revision in use, else the latest.

    Example: catchpan profile show "Hollow Green 24-0-11 on Ride-on 120"

    Parameters
    ----------
    name
        Its name or id.
    revision
        Number of a revision.
    """
    with common.client(stores=True) as client:
        profile = by_name("profile", name, client.all_profiles)
        wanted = revision or profile.released or profile.latest
        if wanted is None:
            raise TableError(f"{profile.name} has no revision yet")
        found = client.revision(profile.id, wanted)
        if common.json:
            put_json(found)
            return
        content = msgspec.json.decode(found.content, type=Content)
        put(f"{profile.name}, revision {found.number}: {found.state.value}")
        show_standing(found)
        show_settings(client, content)
    put()
    put_findings(found.findings)


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


def show_settings(client: Any | None, content: Content) -> None:
    """Print passes, and the opening of every work rate, where there is a client to compute it."""
    for one in content.passes:
        kind = "pass spacing" if one.kind == "overlapped" else "covers"
        put(f"  {one.name}: {one.kind} pass, {kind} {told(one.width)}")
    rows = [_work_row(client, content, work) for work in content.work_rates]
    if rows:
        put()
        put_table(["work", "rate", "speed", "pass", "opening", "how sure (95 %)"], rows)


def _work_row(client: Any | None, content: Content, work: Any) -> list[str]:
    cells = [work.purpose, told(work.rate), told(work.speed), work.pass_name]
    if client is None:
        return [*cells, "-", "-"]
    if content.curve is None:
        return [*cells, "no curve", "-"]
    driven = next(one for one in content.passes if one.name == work.pass_name)
    answer = client.opening(
        OpeningRequest(
            curve=content.curve,
            rate=work.rate,
            speed=work.speed,
            pass_spacing=driven.width if driven.kind == "overlapped" else None,
            edge_width=driven.width if driven.kind == "edge" else None,
            coverages=driven.coverages,
        )
    )
    sure = answer.rate_interval.this_machine
    interval = "-" if sure is None else f"{number(sure.low.value, 3)} to {told(sure.high, 3)}"
    return [*cells, told(answer.opening, 3), interval]


@app.command
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
        profile, chosen = _chosen(client, name, revision)
        asked: Any = ReleaseRequest(reason=reason, override=override)
        send = client.release_revision
        if branch is not None:
            at = branch_id(client, branch)
            asked = ProvisionalReleaseRequest(branch=at, days=days, reason=reason, override=override)
            send = client.release_provisionally
        made = send(profile.id, chosen.number, asked, version=chosen.version, dry_run=dry_run)
    say(_DONE.get(dry_run, f"released revision {made.number} of {profile.name}"))
    _print_summary(profile, made, common)


@app.command
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
        profile, chosen = _chosen(client, profile.id, revision or profile.released)
        if not (yes or dry_run or confirmed(f"Withdraw revision {chosen.number} of {profile.name}?")):
            say("nothing was changed; --yes withdraws without asking")
            sys.exit(USAGE)
        request = WithdrawRequest(reason=reason, because=because)  # type: ignore[arg-type]
        made = client.withdraw_revision(profile.id, chosen.number, request, version=chosen.version, dry_run=dry_run)
    say(_DONE.get(dry_run, f"withdrew revision {made.number} of {profile.name}"))
    _print_summary(profile, made, common)


@app.command
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


@app.command
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


def _chosen(client: Any, name: str, revision: int | None) -> tuple[Profile, RevisionSummary]:
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


def _or_dash(value: int | None) -> str:
    return "-" if value is None else str(value)
