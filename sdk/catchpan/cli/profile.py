"""``catchpan profile``: all settings of one material on one machine kind, revision by revision."""

from pathlib import Path
from typing import Any

import msgspec
from cyclopts import App

from catchpan.cli.arguments import AnArea, ARate
from catchpan.cli.connection import Common
from catchpan.cli.files import read_curve
from catchpan.cli.lookup import by_name
from catchpan.cli.printing import number, put, put_findings, put_json, put_table, say, told
from catchpan.cli.profile_moves import DONE, diff, history, release, show_standing, withdraw
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
    RevisionRequest,
)
from catchpan.errors import TableError
from catchpan.tables import read_catches, read_pans

app = App(name="profile", help="Save, release and compare profiles.", help_format="plaintext")
_DEFAULT = Common()
for _move in (release, withdraw, history, diff):
    app.command(_move)


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
    say(DONE.get(dry_run, f"saved draft {made.number} of {profile.name}"))
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


def _or_dash(value: int | None) -> str:
    return "-" if value is None else str(value)
