"""``catchpan demo``: the whole job once, on invented data, with the service in this process."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from itertools import count
from pathlib import Path
from typing import Any

import msgspec

from catchpan import demo as files
from catchpan.cli import (
    branch,
    commissioning,
    coverage,
    curve,
    edge,
    machine,
    opening,
    overlap,
    profile,
    replica,
    running,
)
from catchpan.cli.connection import service_module
from catchpan.cli.files import fit
from catchpan.cli.printing import put, say
from catchpan.contract.branches import BranchRequest, MachineRequest
from catchpan.contract.commissionings import CommissioningRequest, GateFound, ImpellerFound, ScaleFound
from catchpan.contract.coverages import CoverageRequest
from catchpan.contract.curves import FlowCurveAnswer, FlowCurveRequest
from catchpan.contract.edges import EdgeRequest
from catchpan.contract.machine_kinds import MachineKindRequest
from catchpan.contract.materials import Analysis, MaterialRequest
from catchpan.contract.openings import ChartRequest, OpeningRequest
from catchpan.contract.overlaps import OverlapAnswer, OverlapRequest
from catchpan.contract.profiles import (
    Conditions,
    Content,
    PanTest,
    Pass,
    Profile,
    ProfileRequest,
    ReleaseRequest,
    Revision,
    RevisionRequest,
    WorkRate,
)
from catchpan.contract.running import RunningReport
from catchpan.quantities import Area, Length, Mass, Rate, Rates, Ratio, Rotation, Speed, Speeds
from catchpan.tables import read_catches, read_outline, read_pans

COMPANY = "Alder Hollow Grounds"
MATERIAL = MaterialRequest(
    name="Hollow Green 24-0-11",
    maker="Fernwick Mills",
    analysis=Analysis(nitrogen=Ratio(24, "%"), potash=Ratio(11, "%")),
    bag=Mass(50, "lb"),
    label_highest_rate=Rate(4.2, "lb/1000ft2"),
    note="invented for the demo",
)
KIND = MachineKindRequest(name="Ride-on 120", opening_step=Ratio(0.5, "%"), note="invented for the demo")
SPACING, EDGE = Length(11, "ft"), Length(4.5, "ft")
PAN = Area(1, "ft2")
RATE, SPEED = Rate(3.2, "lb/1000ft2"), Speed(3.5, "mph")
CAUTIONS = """Before a catch: parked, brake set, wheels chocked, impeller disconnected or guarded and proved
still; bucket and chute placed before the gate is opened from the seat; nobody reaches in; key out
before emptying. Gloves, eye protection, no dust in the face. The product label, the machine's
manual, local rules and licensed practice come first."""


GAUGE_CAUTIONS = """Gauge work: actuator power off and locked, hopper empty, nobody's hand in a gate that can move.
The machine's manual comes first."""


def demo(*, folder: Path | None = None) -> None:
    """Run the whole job once on invented data: catches, curve, openings, overlap, profile, release, two branches.

    Example: catchpan demo --folder trial

    Parameters
    ----------
    folder
        Where to leave the files; a new folder catchpan-demo by default.
    """
    place = _new_folder(folder)
    files.copy_to(place)
    environment = {"CATCHPAN_DATABASE": str(place / "catchpan.sqlite"), "CATCHPAN_ORGANISATION": COMPANY}
    from catchpan.client import Catchpan

    put(f"{COMPANY} (an invented company, its material, machine and numbers too) calibrates a spreader.")
    with Catchpan.in_process(service_module("local").open_app(environment, stores=True)) as client:
        _job(client, place)
    put()
    put(f"All files are in {place}:")
    for file in sorted(place.iterdir()):
        put(f"  {file.name}")


def _job(client: Any, place: Path) -> None:
    step = _steps()
    step("Service and database", "catchpan serve")
    put(f"A service in this process, on {place / 'catchpan.sqlite'}; organisation: {client.organisation().name}.")
    step("Material and machine kind", 'catchpan material add "Hollow Green 24-0-11" --bag "50 lb" ...')
    product, kind = client.add_material(MATERIAL), client.add_machine_kind(KIND)
    put(f"{product.name} in bags of {product.bag}; label: at most {product.label_highest_rate}.  {kind.name}.")
    step("Catch and weigh, at the machine", "")
    put(CAUTIONS)
    put(f"\n{len(read_catches(place / files.CATCHES))} catches at five uneven openings, two durations at the smallest.")
    curve_found = _curve(client, place, step)
    _openings(client, place, curve_found, step)
    spread = _pans(client, place, step)
    _ground(client, place, step)
    saved = _save(client, place, product.id, kind.id, step)
    step("Release it", f'catchpan profile release "{saved[0].name}" --reason "caught and checked on AH-07"')
    _release(client, *saved)
    _keep(place / "overlap.json", spread)
    north = _branches(client, place, step)
    _machines(client, north, kind.id, saved[0], step)


def _steps() -> Callable[[str, str], None]:
    numbers = count(1)

    def step(title: str, command: str) -> None:
        put()
        put(f"{next(numbers)}. {title}")
        if command:
            put(f"   $ {command}")
        put()

    return step


def _curve(client: Any, place: Path, step: Callable[[str, str], None]) -> FlowCurveAnswer:
    step("Fit the flow curve, and know how sure it is", "catchpan curve fit catches.csv")
    found = fit(place / files.CATCHES, client)
    curve.show(found)
    _keep(place / "curve.json", found)
    return found


def _openings(client: Any, place: Path, found: FlowCurveAnswer, step: Callable[[str, str], None]) -> None:
    step(
        "Turn the rate into an opening: the open lawn, passes 11 ft apart",
        f'catchpan opening curve.json --rate "{RATE}" --speed "{SPEED}" --pass-spacing "{SPACING}"',
    )
    open_lawn = OpeningRequest(
        curve=found.curve,
        rate=RATE,
        speed=SPEED,
        pass_spacing=SPACING,
        opening_step=KIND.opening_step,
        label_highest_rate=MATERIAL.label_highest_rate,
    )
    opening.show(client.opening(open_lawn))
    step(
        "The edge pass along beds and paving: it covers once, and stands alone",
        f'catchpan opening curve.json --rate "{RATE}" --speed "3 mph" --edge-width "{EDGE}"',
    )
    edge = msgspec.structs.replace(open_lawn, speed=Speed(3, "mph"), pass_spacing=None, edge_width=EDGE)
    opening.show(client.opening(edge))
    step("A chart for the cab", 'catchpan chart curve.json --rate ... --speed ... --pass-spacing "11 ft"')
    chart = client.opening_chart(
        ChartRequest(
            curve=found.curve,
            rates=Rates([2, 2.5, 3.2, 4], "lb/1000ft2"),
            speeds=Speeds([2.5, 3, 3.5, 4, 5], "mph"),
            pass_spacing=SPACING,
            opening_step=KIND.opening_step,
            label_highest_rate=MATERIAL.label_highest_rate,
        )
    )
    opening.show_chart(chart)
    _keep(place / "chart.json", chart)


def _pans(client: Any, place: Path, step: Callable[[str, str], None]) -> OverlapAnswer:
    step(
        "Check the spread: a row of pans, three passes, three rows",
        'catchpan overlap pans.csv --pan-area "1 ft2" --passes 3 --rate "3.2 lb/1000ft2"',
    )
    answer: OverlapAnswer = client.overlap(_pan_test(place))
    overlap.show(answer, detailed=False)
    return answer


def _ground(client: Any, place: Path, step: Callable[[str, str], None]) -> None:
    positions, rows = read_pans(place / files.PANS, passes=3)
    step(
        "Meet an edge: how far off, and where the first overlapped pass goes",
        'catchpan edge pans.csv --pan-area "1 ft2" --passes 3 --side left --pass-spacing "11 ft" --beyond paving',
    )
    met = client.edge(
        EdgeRequest(
            positions=positions, rows=rows, pan_area=PAN, side="left", pass_spacing=SPACING, beyond="paving", rate=RATE
        )
    )
    edge.show(met)
    step(
        "Map a lawn with a pond and a bed",
        'catchpan coverage outline.csv --pans pans.csv --pan-area "1 ft2" --passes 3 --rate "3.2 lb/1000ft2" ...',
    )
    outline, holes = read_outline(place / files.OUTLINE)
    mapped = client.coverage(
        CoverageRequest(
            positions=positions, rows=rows, pan_area=PAN, outline=outline, holes=holes, rate=RATE, pass_spacing=SPACING
        )
    )
    coverage.show(mapped)


def _pan_test(place: Path) -> OverlapRequest:
    positions, rows = read_pans(place / files.PANS, passes=3)
    return OverlapRequest(positions=positions, rows=rows, pan_area=PAN, rate=RATE)


def _content(place: Path) -> Content:
    return Content(
        format=1,
        calibration=FlowCurveRequest(catches=read_catches(place / files.CATCHES)),
        conditions=Conditions(machine="AH-07", lot="L2041", by="the technician", agitator="on"),
        pan_tests=[PanTest(test=_pan_test(place))],
        passes=[
            Pass(name="open lawn", purpose="open ground", kind="overlapped", width=SPACING, driving="back_and_forth"),
            Pass(name="border", purpose="along beds and paving", kind="edge", width=EDGE),
        ],
        work_rates=[
            WorkRate(purpose="spring feeding", rate=RATE, speed=SPEED, pass_name="open lawn"),
            WorkRate(purpose="spring feeding, borders", rate=RATE, speed=Speed(3, "mph"), pass_name="border"),
        ],
    )


def _save(
    client: Any, place: Path, material: str, kind: str, step: Callable[[str, str], None]
) -> tuple[Profile, Revision]:
    step(
        "Write it down as a profile",
        "catchpan profile save --material ... --machine-kind ... --catches catches.csv ...",
    )
    name = f"{MATERIAL.name} on {KIND.name}"
    made: Profile = client.add_profile(ProfileRequest(material=material, machine_kind=kind, name=name))
    saved: Revision = client.add_revision(made.id, RevisionRequest(content=_content(place), note="first of the season"))
    put(f"{made.name}, revision {saved.number}: {saved.state.value}")
    put(f"  digest {saved.digest}")
    (place / "profile.json").write_bytes(client.revision_content(made.id, saved.number))
    return made, saved


def _release(client: Any, made: Profile, saved: Revision) -> None:
    reason = ReleaseRequest(reason="caught and checked on AH-07")
    released = client.release_revision(made.id, saved.number, reason, version=saved.version)
    put(f"{made.name}, revision {released.number}: {released.state.value}")
    profile.show_standing(released)
    profile.show_settings(client, msgspec.json.decode(saved.content, type=Content))


def _branches(client: Any, place: Path, step: Callable[[str, str], None]) -> str:
    """Two yards: one pulls over the network, the other gets a stick, and both prove that they hold the same.

    Returns the id of the one with a network.
    """
    from catchpan.replica import Replica

    north, south = (client.add_branch(BranchRequest(name=name)) for name in ("North yard", "South yard"))
    step("Pull it at one branch, and prove it", f'catchpan replica pull north.replica --branch "{north.name}"')
    with Replica(place / "north.replica") as copy:
        told = copy.pull(client, branch=north.id)
        copy.report_to(client)
        replica.show_report(told, json=False)
    step("Carry it to the other on a stick: no network in that shed", "catchpan replica export south.bundle")
    with Replica(place / "for-south.replica") as office:
        office.pull(client, branch=south.id)
        office.export(place / "south.bundle")
    put("   $ catchpan replica import south.bundle south.replica\n")
    with Replica(place / "south.replica") as copy:
        carried = copy.import_(place / "south.bundle")
        copy.report_to(client)
        replica.show_report(carried, json=False)
    same = "equal" if carried.manifest == told.manifest else "DIFFERENT"
    put(f"\nThe manifests of both yards are {same}.")
    step("Somebody alters a copy: it is found, and mended", "catchpan replica verify north.replica")
    _spoil(place / "north.replica")
    with Replica(place / "north.replica") as copy:
        replica.show_report(copy.verify(), json=False)
        put("\n   $ catchpan replica pull north.replica\n")
        replica.show_report(copy.pull(client), json=False)
    step("Which branch holds what", "catchpan sync status")
    branch.show_status(client.sync_status())
    return str(north.id)


def _machines(client: Any, north: str, kind: str, made: Profile, step: Callable[[str, str], None]) -> None:
    """Two machines whose actuators differ do the same; what each runs is said, and what does not fit is found."""
    step(
        "Commission the machines: gate stops with a gauge",
        "catchpan machine commission AH-07 --closed 212 ...",
    )
    put(GAUGE_CAUTIONS)
    machines = {}
    for name, closed, opened in (("AH-07", 212, 905), ("AH-12", 30, 830)):
        one = client.add_machine(MachineRequest(name=name, branch=north, machine_kind=kind))
        machines[name] = one.id
        found = CommissioningRequest(
            done=one.created,
            by="R. Example",
            gates=[GateFound(closed=closed, open=opened, shut="tight")],
            impellers=[ImpellerFound(panel=Rotation(640, "rpm"), tachometer=Rotation(645, "rpm"), vanes="whole")],
            scale=ScaleFound(weight=Mass(10, "lb"), shown=Mass(10.02, "lb")),
        )
        put()
        commissioning.show_commissioning(client.add_commissioning(one.id, found), name)
    step("What each is to be set to", f'catchpan machine settings AH-07 "{made.name}"')
    for subject in machines.values():
        machine.show_machine(client.machine_settings(subject, made.id), table=False)
        put()
    step("AH-07 takes it up, parked, gates shut; nobody has said of AH-12", "catchpan drift")
    in_use = client.revision(made.id, client.profile(made.id).released)
    said = RunningReport(
        profile=made.id, number=in_use.number, digest=in_use.digest, at=in_use.released, by="R. Example", confirmed=True
    )
    client.report_running(machines["AH-07"], said)
    running.show_drift(list(client.all_drift()))


def _spoil(path: Path) -> None:
    """Raise one digit of a content in a copy, as a failing stick or a meddler might."""
    with closing(sqlite3.connect(path)) as connection, connection:
        (body,) = connection.execute("SELECT body FROM contents").fetchone()
        connection.execute("UPDATE contents SET body = ?", (bytes(body).replace(b"3.2", b"4.2", 1),))


def _keep(path: Path, answer: Any) -> None:
    path.write_bytes(msgspec.json.format(msgspec.json.encode(answer), indent=2) + b"\n")


def _new_folder(wanted: Path | None) -> Path:
    names = (Path(f"catchpan-demo{'' if number == 1 else f'-{number}'}") for number in count(1))
    place = wanted or next(name for name in names if not name.exists())
    place.mkdir(parents=True, exist_ok=True)
    say(f"files go to {place.resolve()}")
    return place.resolve()
