"""Step 1: machines, commissioned so that an opening means the same gap on each."""

from datetime import UTC, datetime

from catchpan.cli.commissioning import show_commissioning
from catchpan.cli.demo.stage import BY, KIND, LABEL, OPENING_STEP, PRODUCT, Fleet, Stage
from catchpan.cli.printing import put
from catchpan.contract.branches import BranchRequest, MachineRequest
from catchpan.contract.commissionings import (
    BalanceCatch,
    CommissioningRequest,
    GateFound,
    ImpellerFound,
    ScaleFound,
    TyreFound,
)
from catchpan.contract.ground_speeds import GroundSpeedRequest
from catchpan.contract.machine_kinds import MachineKindRequest
from catchpan.contract.materials import Analysis, MaterialRequest
from catchpan.quantities import Length, Mass, Pressure, Ratio, Rotation, Speed, Times

CAUTIONS = """Gauge work: actuator power off and locked, hopper empty, nobody's hand in a gate that can move.
The machine's manual comes first."""
MATERIAL = MaterialRequest(
    name=PRODUCT,
    maker="Fernwick Mills",
    analysis=Analysis(nitrogen=Ratio(24, "%"), potash=Ratio(11, "%")),
    bag=Mass(50, "lb"),
    label_highest_rate=LABEL,
    note="invented for the demo",
)
# Name, yard, and both stops of the left and of the right gate, in steps of the actuator.
_MACHINES = [
    ("AH-07", "North", (212, 905), (208, 899)),
    ("AH-12", "North", (30, 830), (34, 829)),
    ("AH-15", "South", (118, 871), (121, 880)),
    ("AH-21", "East", (205, 890), (199, 893)),
]


def commission(stage: Stage) -> Fleet:
    """Yards, material, machine kind and machines, each found out with gauge, tachometer, course and check weight."""
    stage.step("Commission the machines")
    client = stage.client
    yards = {name: client.add_branch(BranchRequest(name=f"{name} yard")).id for name in ("North", "South", "East")}
    product = client.add_material(MATERIAL)
    kind = client.add_machine_kind(
        MachineKindRequest(name=KIND, gates=2, opening_step=OPENING_STEP, note="invented for the demo")
    )
    stage.does(
        "Each gate's stops with a gauge, both sides, leak, backlash, balance, tachometer, tyres, course, scale",
        "catchpan machine commission AH-07 --closed 212 --open 905 --right-closed 208 --right-open 899 ...",
    )
    put(CAUTIONS)
    machines = {}
    for name, yard, left, right in _MACHINES:
        asked = MachineRequest(name=name, branch=yards[yard], machine_kind=kind.id)
        machines[name] = client.add_machine(asked).id
        made = client.add_commissioning(machines[name], _found(left, right))
        if name == "AH-07":
            put()
            show_commissioning(made, name)
    put(f"\nThe same was done on {', '.join(name for name, *_ in _MACHINES[1:])}.")
    return Fleet(product.id, kind.id, yards["North"], yards["South"], yards["East"], machines)


def _found(left: tuple[int, int], right: tuple[int, int]) -> CommissioningRequest:
    """What a gauge, a tachometer, a course and a check weight told."""
    return CommissioningRequest(
        done=datetime.now(UTC).replace(microsecond=0),
        by=BY,
        gates=[
            GateFound(side="left", closed=left[0], open=left[1], from_below=left[0] + 330, from_above=left[0] + 333),
            GateFound(side="right", closed=right[0], open=right[1], shut="tight"),
        ],
        balance=[
            BalanceCatch(opening=Ratio(25, "%"), left=Mass(1.02, "lb"), right=Mass(1, "lb")),
            BalanceCatch(opening=Ratio(60, "%"), left=Mass(5.1, "lb"), right=Mass(5.05, "lb")),
        ],
        impellers=[ImpellerFound(panel=Rotation(640, "rpm"), tachometer=Rotation(645, "rpm"), vanes="whole")],
        tyres=[TyreFound(where="rear left", pressure=Pressure(12, "psi"))],
        ground_speed=GroundSpeedRequest(
            distance=Length(200, "ft"), durations=Times([38.9, 39.3, 39], "s"), controller_speed=Speed(3.5, "mph")
        ),
        scale=ScaleFound(weight=Mass(10, "lb"), shown=Mass(10.02, "lb")),
    )
