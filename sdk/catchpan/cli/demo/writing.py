"""Step 8: a profile; and at seven in the morning, with a new maker's bag, a provisional one."""

from dataclasses import dataclass

import msgspec

from catchpan import demo as files
from catchpan.cli import curve, profile, profile_moves
from catchpan.cli.demo.calibrating import Calibrated
from catchpan.cli.demo.stage import BY, EDGE, KIND, PRODUCT, RATE, SPACING, SPEED, Fleet, Stage, catch_of
from catchpan.cli.printing import put
from catchpan.contract.curves import FlowCurveRequest
from catchpan.contract.materials import MaterialRequest
from catchpan.contract.priors import ProvisionalRequest
from catchpan.contract.profiles import (
    Conditions,
    Content,
    PanTest,
    Pass,
    Profile,
    ProfileRequest,
    Provenance,
    ProvisionalReleaseRequest,
    Revision,
    RevisionRequest,
    WorkRate,
)
from catchpan.quantities import Mass, Rate, Speed
from catchpan.tables import read_catches

NEW = "Marlpit Lawn 22-0-8"


@dataclass(frozen=True)
class Written:
    """A profile, and its draft."""

    profile: Profile
    draft: Revision


def write_down(stage: Stage, fleet: Fleet, calibrated: Calibrated) -> Written:
    """The profile of the calibrated material, and the provisional one of a new maker's bag."""
    stage.step("Write it down as a profile")
    stage.does("Material, catches, curve, passes, work rates, who, when, why", "catchpan profile save --material ...")
    content = _content(stage, calibrated)
    written = _saved(stage, fleet.product, fleet.kind, f"{PRODUCT} on {KIND}", content)
    (stage.place / "profile.json").write_bytes(stage.client.revision_content(written.profile.id, written.draft.number))
    _at_seven(stage, fleet, calibrated, content)
    return written


def _saved(stage: Stage, material: str, kind: str, name: str, content: Content) -> Written:
    client = stage.client
    made = client.add_profile(ProfileRequest(material=material, machine_kind=kind, name=name))
    saved = client.add_revision(made.id, RevisionRequest(content=content, note="first of the season"))
    put(f"{made.name}, revision {saved.number}: {saved.state.value}")
    put(f"  digest {saved.digest}")
    return Written(made, saved)


def _content(stage: Stage, calibrated: Calibrated) -> Content:
    return Content(
        format=1,
        calibration=FlowCurveRequest(catches=read_catches(stage.place / files.CATCHES)),
        conditions=Conditions(machine="AH-07", lot="L2041", by=BY, agitator="on"),
        pan_tests=[PanTest(test=stage.pan_test())],
        passes=[
            Pass(
                name="open lawn",
                purpose="open ground",
                kind="overlapped",
                width=SPACING,
                throw=SPACING,
                impeller_speed=calibrated.impeller_speed,
                driving="back_and_forth",
            ),
            Pass(name="border", purpose="along beds and paving", kind="edge", width=EDGE),
        ],
        work_rates=[
            WorkRate(purpose="spring feeding", rate=RATE, speed=SPEED, pass_name="open lawn"),
            WorkRate(purpose="spring feeding, borders", rate=RATE, speed=Speed(3, "mph"), pass_name="border"),
        ],
    )


def _at_seven(stage: Stage, fleet: Fleet, calibrated: Calibrated, like: Content) -> None:
    """A borrowed curve, corrected by check catches at two openings, for one yard and a week."""
    stage.does(
        "Seven in the morning, a new maker's bag, crews leave at half past: catch at two openings, borrow the curve",
        "catchpan curve provisional curve.json checks.csv",
    )
    catches = [catch_of(26, 3.17, 60), catch_of(26, 3.2, 60), catch_of(50, 5.03, 25), catch_of(50, 4.98, 25)]
    loan = ProvisionalRequest(curve=calibrated.curve.curve, catches=catches)
    curve.show_provisional(stage.client.provisional_curve(loan))
    product = MaterialRequest(name=NEW, maker="Marlpit", bag=Mass(50, "lb"), label_highest_rate=Rate(4, "lb/1000ft2"))
    material = stage.client.add_material(product)
    stage.does("One yard may use it, for a week", 'catchpan profile release ... --branch "North yard" --days 7')
    borrowed = msgspec.structs.replace(
        like,
        calibration=None,
        loan=loan,
        conditions=Conditions(machine="AH-07", lot="7714 B", by=BY),
        pan_tests=[],
        provenance=Provenance(source=f"the curve of {PRODUCT}"),
    )
    name = f"{NEW} on {KIND}"
    written = _saved(stage, material.id, fleet.kind, name, borrowed)
    request = ProvisionalReleaseRequest(branch=fleet.north, days=7, reason="new maker's bag, caught at two openings")
    number, version = written.draft.number, written.draft.version
    released = stage.client.release_provisionally(written.profile.id, number, request, version=version)
    profile_moves.show_standing(released)
    profile.show_settings(stage.client, msgspec.json.decode(written.draft.content, type=Content))
