"""Steps 10 and 11: what machines really deliver, and what went down."""

from datetime import UTC, datetime, timedelta

from catchpan.cli import correction, machine_check, machine_kind, running, totals
from catchpan.cli.check import show_catch, show_field
from catchpan.cli.demo.sharing import take_up
from catchpan.cli.demo.stage import BY, KIND, Fleet, Stage, catch_of
from catchpan.cli.demo.writing import Written
from catchpan.cli.printing import put, told
from catchpan.contract.corrections import CorrectionRequest
from catchpan.contract.machine_checks import CaughtAgain, MachineCheck, MachineCheckRequest, UsedMaterial
from catchpan.quantities import Area, Length, Mass

# What check catches at 26 % for 60 s and at 50 % for 25 s weighed on each machine, twice [lb].
_CAUGHT = {
    "AH-07": ((3.44, 5.4), (3.41, 5.43)),
    "AH-12": ((3.49, 5.5), (3.5, 5.46)),
    "AH-15": ((3.38, 5.36), (3.4, 5.33)),
    "AH-21": ((3.17, 5.0), (3.16, 4.97)),
}
_WHO_CHANGES = "AH-21"


def check_in_the_field(stage: Stage, fleet: Fleet, written: Written) -> None:
    """Check catches on other machines, material used against distance and area, and what follows."""
    stage.step("Check it in the field")
    stage.does("Check catches on every machine", "catchpan machine caught AH-12 ... checks.csv")
    for name, masses in _CAUGHT.items():
        said = CaughtAgain(
            catches=[catch_of(*one) for pair in masses for one in zip((26, 50), pair, (60, 25), strict=True)]
        )
        made = _recorded(stage, fleet, written, name, caught=said)
        put(f"{name}:")
        assert made.caught is not None  # it is of catches
        show_catch(made.caught)
    _correct(stage, fleet, written, made)
    stage.does("How much machines of this kind differ", f'catchpan machine-kind spread "{KIND}"')
    machine_kind.show_spread(KIND, stage.client.kind_spread(fleet.kind))
    stage.does(
        "Material used against distance and area", 'catchpan machine used AH-07 ... "412 lb" --area "2.9 ac" ...'
    )
    field = _used(stage, fleet, written, "AH-07", 412, 2.9, 11_500)
    assert field.used is not None  # it tells distance and area
    show_field(field.used)
    for name, mass, acres in (("AH-12", 275, 2), ("AH-15", 418, 3), ("AH-21", 140, 1)):
        _used(stage, fleet, written, name, mass, acres, None)
    stage.does("A machine's checks over time", "catchpan machine charts AH-07")
    machine_check.show_charts(stage.client.machine_charts(fleet.machines["AH-07"]))
    stage.does("Of whom nobody has said what they run", "catchpan drift")
    take_up(stage, fleet.machines["AH-15"], written.draft)
    running.show_drift(list(stage.client.all_drift()))


def _correct(stage: Stage, fleet: Fleet, written: Written, made: MachineCheck) -> None:
    """One factor mends the machine that was checked last: it is kept beside the revision, until a day."""
    assert made.caught is not None  # it is of catches
    factor, sure = round(made.caught.correction, 3), made.caught.standard_uncertainty
    stage.does(
        f"{_WHO_CHANGES} gets a correction, kept beside the revision",
        f'catchpan correction add ... --machine {_WHO_CHANGES} --factor {factor} --uncertainty "{told(sure, 2)}" ...',
    )
    asked = CorrectionRequest(
        profile=written.profile.id,
        number=written.draft.number,
        machine=fleet.machines[_WHO_CHANGES],
        factor=factor,
        standard_uncertainty=sure,
        checks=[made.id],
        by=BY,
        reason="check catches at 26 and 50 %",
        until=_now() + timedelta(days=90),
    )
    correction.show_corrections([stage.client.add_correction(asked)], {written.profile.id: written.profile.name})


def answer_for_it(stage: Stage, fleet: Fleet) -> None:
    """Which setting was on which machine on a day, from which catches; and what went down."""
    stage.step("Answer for it")
    stage.does("Which setting was on AH-07, from which catches", f"catchpan machine on AH-07 {_now():%Y-%m-%d}")
    running.show_history(
        stage.client.machine_history(fleet.machines["AH-07"], _now() + timedelta(seconds=1)), "North yard"
    )
    stage.does("What went down", "catchpan totals --by year --file totals.xlsx")
    totals.show_totals(list(stage.client.all_totals(by="year")))
    for name in ("totals.csv", "totals.xlsx"):
        form = totals.FORMS[name[name.index(".") :]]
        (stage.place / name).write_bytes(stage.client.totals_file(form, by="year"))


def _used(
    stage: Stage, fleet: Fleet, written: Written, name: str, mass: float, acres: float, feet: float | None
) -> MachineCheck:
    distance = None if feet is None else Length(feet, "ft")
    said = UsedMaterial(used=Mass(mass, "lb"), work="spring feeding", area=Area(acres, "ac"), distance=distance)
    return _recorded(stage, fleet, written, name, used=said)


def _recorded(
    stage: Stage,
    fleet: Fleet,
    written: Written,
    name: str,
    *,
    caught: CaughtAgain | None = None,
    used: UsedMaterial | None = None,
) -> MachineCheck:
    request = MachineCheckRequest(
        profile=written.profile.id, number=written.draft.number, at=_now(), by=BY, lot="L2041", caught=caught, used=used
    )
    made: MachineCheck = stage.client.add_machine_check(fleet.machines[name], request)
    return made


def _now() -> datetime:
    return datetime.now(UTC).replace(microsecond=0)
