"""What was found on a machine with gauge, tachometer, course and check weight, as ``catchpan machine`` takes it."""

from datetime import datetime
from typing import Any, Literal

from catchpan.cli.arguments import ALength, AMass, ARotation, ASpeed, SomeMasses, SomeRatios, SomeTimes, moment_of
from catchpan.cli.connection import Common
from catchpan.cli.lookup import by_name
from catchpan.cli.printing import number, put, put_findings, put_json, put_table, say, told
from catchpan.contract.commissionings import (
    BalanceCatch,
    Commissioning,
    CommissioningRequest,
    GateFound,
    ImpellerFound,
    ScaleFound,
    TyreFound,
)
from catchpan.contract.ground_speeds import GroundSpeedRequest
from catchpan.errors import TableError
from catchpan.quantities import Pressure, Times, parse

_DEFAULT = Common()
_CAUTION = "Gauge work: actuator power off and locked, hopper empty, nobody's hand in a gate that can move."


def commission(
    name: str,
    /,
    *,
    by: str,
    closed: float,
    open: float,
    right_closed: float | None = None,
    right_open: float | None = None,
    from_below: float | None = None,
    from_above: float | None = None,
    leaks: bool | None = None,
    at: SomeRatios | None = None,
    left: SomeMasses | None = None,
    right: SomeMasses | None = None,
    panel: ARotation | None = None,
    tachometer: ARotation | None = None,
    vanes: Literal["whole", "worn", "replaced"] | None = None,
    tyre: list[str] | None = None,
    course: ALength | None = None,
    time: SomeTimes | None = None,
    panel_speed: ASpeed | None = None,
    check_weight: AMass | None = None,
    shown: AMass | None = None,
    done: datetime | None = None,
    note: str = "",
    dry_run: bool = False,
    common: Common = _DEFAULT,
) -> None:
    """Record what was found on a machine, and say what follows and what changed since last time.

    Example: catchpan machine commission AH-07 --by "R. Example" --closed 212 --open 905 --no-leaks

    Parameters
    ----------
    name
        Name or id of the machine.
    by
        Who found it.
    closed
        Actuator position at the closed stop by the gauge, of the only gate or the left one.
    open
        Actuator position at the open stop.
    right_closed
        Closed stop of the right gate, where there are two.
    right_open
        Open stop of the right gate.
    from_below
        Position at which the gauge fits when the first gate comes from below.
    from_above
        Position at which the same gauge fits when it comes from above.
    leaks
        Whether material comes through a shut gate; --no-leaks for tight ones.
    at
        An opening at which both sides were caught; may be given several times.
    left
        What fell left at that opening.
    right
        What fell right at that opening.
    panel
        Impeller speed on the controller's panel.
    tachometer
        Impeller speed by tachometer.
    vanes
        whole, worn or replaced.
    tyre
        Where, and its pressure, such as "rear left=12 psi"; may be given several times.
    course
        Length of a measured course.
    time
        Time of a run over it; may be given several times.
    panel_speed
        Ground speed on the panel over the course.
    check_weight
        A check weight.
    shown
        What the scale showed for it, in its own unit.
    done
        When, with its zone; now by default.
    note
        Anything worth knowing.
    dry_run
        Say what would follow, and store nothing.
    """
    say(_CAUTION)
    shut: Literal["tight", "leaks"] | None = None if leaks is None else "leaks" if leaks else "tight"
    one_side = right_closed is None and right_open is None
    first = GateFound(
        side="both" if one_side else "left",
        closed=closed,
        open=open,
        from_below=from_below,
        from_above=from_above,
        shut=shut,
    )
    request = CommissioningRequest(
        done=moment_of(done),
        by=by,
        gates=[first, *_right_gate(right_closed, right_open, shut)],
        balance=_balance(at or [], left or [], right or []),
        impellers=_impellers(panel, tachometer, vanes),
        tyres=[_tyre(one) for one in tyre or []],
        ground_speed=_ground_speed(course, time, panel_speed),
        scale=_scale(check_weight, shown),
        note=note,
    )
    with common.client(stores=True) as client:
        found = by_name("machine", name, client.all_machines)
        made = client.add_commissioning(found.id, request, dry_run=dry_run)
    say("nothing stored: this was a dry run" if dry_run else f"recorded commissioning {made.number} of {found.name}")
    if common.json:
        put_json(made)
    else:
        show_commissioning(made, found.name)


def _right_gate(closed: float | None, open_: float | None, shut: Any) -> list[GateFound]:
    if closed is None and open_ is None:
        return []
    if closed is None or open_ is None:
        raise TableError("the right gate needs both stops: --right-closed and --right-open")
    return [GateFound(side="right", closed=closed, open=open_, shut=shut)]


def _balance(at: list[Any], left: list[Any], right: list[Any]) -> list[BalanceCatch]:
    if not len(at) == len(left) == len(right):
        raise TableError("each opening of a catch of both sides goes with one --left and one --right")
    return [BalanceCatch(opening=a, left=b, right=c) for a, b, c in zip(at, left, right, strict=True)]


def _impellers(panel: Any, tachometer: Any, vanes: Any) -> list[ImpellerFound]:
    if panel is None and tachometer is None and vanes is None:
        return []
    if panel is None or tachometer is None:
        raise TableError("an impeller needs both speeds: --panel and --tachometer")
    return [ImpellerFound(panel=panel, tachometer=tachometer, vanes=vanes)]


def _tyre(text: str) -> TyreFound:
    where, is_given, pressure = text.partition("=")
    if not is_given:
        raise TableError(f'{text!r} is no tyre: write where and its pressure, such as "rear left=12 psi"')
    return TyreFound(where=where.strip(), pressure=parse(Pressure, pressure))


def _ground_speed(course: Any, times: list[Any] | None, panel_speed: Any) -> GroundSpeedRequest | None:
    if course is None and not times:
        return None
    if course is None or not times:
        raise TableError("a ground speed needs --course and at least one --time")
    seconds = Times([one.to("s") for one in times], "s")
    return GroundSpeedRequest(distance=course, durations=seconds, controller_speed=panel_speed)


def _scale(weight: Any, shown: Any) -> ScaleFound | None:
    if weight is None and shown is None:
        return None
    if weight is None or shown is None:
        raise TableError("a scale needs --check-weight and --shown")
    return ScaleFound(weight=weight, shown=shown)


def show_commissioning(made: Commissioning, name: str) -> None:
    """Print what follows from a commissioning."""
    record = made.record
    put(f"{name}, commissioning {made.number} of {record.done:%Y-%m-%d} by {record.by}; due again {made.due:%Y-%m-%d}")
    put()
    rows = [
        [
            one.side,
            number(gate.closed),
            number(gate.open),
            number(one.gate_range),
            told(one.backlash, 2),
            told(one.closed_moved, 2),
            told(one.open_moved, 2),
        ]
        for gate, one in zip(record.gates, made.gates, strict=True)
    ]
    put_table(["gate", "closed", "open", "range", "backlash", "closed moved", "open moved"], rows)
    for one in made.balance:
        put(f"At {told(one.opening, 3)}: {told(one.left_share, 3)} fell left")
    for by in made.impellers.values:
        put(f"Impeller: the panel shows {by:+.1f} % from the tachometer")
    if made.ground_speed is not None:
        put(f"Ground speed over the course: {told(made.ground_speed.speed, 3)}")
    if made.scale is not None:
        put(f"Scale: shows {made.scale.value:+.2f} % from the check weight")
    if made.changes:
        put()
        changed = [[one.what, one.before, one.after] for one in made.changes]
        put_table(["changed since last time", "before", "now"], changed)
    put()
    put_findings(made.findings)


def history(name: str, /, *, common: Common = _DEFAULT) -> None:
    """List the commissionings of a machine, the last one recorded first.

    Example: catchpan machine history AH-07

    Parameters
    ----------
    name
        Name or id of the machine.
    """
    with common.client(stores=True) as client:
        found = by_name("machine", name, client.all_machines)
        listed = list(client.all_commissionings(found.id))
    if common.json:
        put_json(listed)
        return
    rows = [[str(one.number), f"{one.done:%Y-%m-%d}", one.by, f"{one.due:%Y-%m-%d}", one.recorded_by] for one in listed]
    put_table(["number", "done", "by", "due", "recorded by"], rows)
