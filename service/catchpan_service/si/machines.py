"""Gates, speed and machines between the wire and the mathematics."""

import math

from catchpan.contract.comparisons import ComparisonAnswer, ComparisonRequest, MachineDeviation, SpreadInterval
from catchpan.contract.gate_stops import GateStopsAnswer, GateStopsRequest
from catchpan.contract.gate_table import GateTableAnswer, GateTableRequest
from catchpan.contract.ground_speeds import GroundSpeedAnswer, GroundSpeedRequest, SpeedInterval
from catchpan.quantities import Flows, Ratio, Ratios, Speed, System
from catchpan_service.calibration import gate_stops as stops
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.gate_table import STEP, gate_table
from catchpan_service.calibration.ground_speed import ground_speed
from catchpan_service.calibration.machine_comparison import machine_comparison
from catchpan_service.si.curves import net_mass, received
from catchpan_service.si.telling import Telling, array, findings, given, rounded, scalar

TABLE_TOLERANCE = 0.01
"""Relative difference that the straight lines of a gate table may have, unless another is asked for."""


def solve_gate_table(request: GateTableRequest, system: System) -> GateTableAnswer:
    """The fewest rows for a tolerance; CalibrationError where there are none."""
    tell, curve = Telling(system), received(request.curve)
    low, high = curve.opening_range
    tolerance = TABLE_TOLERANCE if request.tolerance is None else request.tolerance.si
    found = gate_table(
        curve,
        low=low if request.low is None else request.low.si,
        high=high if request.high is None else request.high.si,
        tolerance=tolerance,
        step=STEP if request.opening_step is None else request.opening_step.si,
        most_rows=request.most_rows,
    )
    return GateTableAnswer(
        openings=tell.many(Ratios, found.openings),
        flows=tell.many(Flows, found.flows),
        worst=tell.one(Ratio, found.worst),
        worst_opening=tell.one(Ratio, found.worst_opening),
        tolerance=tell.one(Ratio, tolerance),
        findings=[],
    )


def solve_gate_stops(request: GateStopsRequest, system: System) -> GateStopsAnswer:
    """One gate's positions and openings; CalibrationError for stops that cannot be."""
    tell = Telling(system)
    tolerance = stops.TOLERANCE if request.tolerance is None else request.tolerance.si
    found = stops.gate_stops(
        closed=request.closed,
        open_=request.open,
        openings=[] if request.openings is None else array(request.openings),
        positions=request.positions,
        from_below=request.from_below,
        from_above=request.from_above,
        previous_closed=request.previous_closed,
        previous_open=request.previous_open,
        tolerance=tolerance,
    )
    return GateStopsAnswer(
        side=request.side,
        positions=[rounded(one) for one in found.positions.tolist()],
        openings=tell.many(Ratios, found.openings),
        gate_range=rounded(found.gate_range),
        backlash=tell.maybe(Ratio, found.backlash),
        closed_moved=tell.maybe(Ratio, found.closed_moved),
        open_moved=tell.maybe(Ratio, found.open_moved),
        tolerance=tell.one(Ratio, tolerance),
        findings=findings(found.findings),
    )


def solve_ground_speed(request: GroundSpeedRequest, system: System) -> GroundSpeedAnswer:
    """The speed over a course; CalibrationError for one that cannot be."""
    tell = Telling(system)
    found = ground_speed(
        distance=request.distance.si,
        durations=array(request.durations),
        **given(
            pulses=request.pulses,
            controller_speed=scalar(request.controller_speed),
            controller_pulses_per_metre=_pulses_per_metre(request),
            timer_uncertainty=scalar(request.timer_uncertainty),
            course_uncertainty=scalar(request.course_uncertainty),
        ),
    )
    low, high = found.interval
    each = None if found.pulses_per_metre is None else rounded(found.pulses_per_metre * request.distance.si)
    return GroundSpeedAnswer(
        speed=tell.one(Speed, found.speed),
        standard_uncertainty=tell.one(Speed, found.standard_uncertainty),
        interval=SpeedInterval(low=tell.one(Speed, low), high=tell.one(Speed, high)),
        pulses_each=each,
        controller_difference=tell.maybe(Ratio, found.controller_difference),
        pulse_difference=tell.maybe(Ratio, found.pulse_difference),
        findings=findings(found.findings),
    )


def _pulses_per_metre(request: GroundSpeedRequest) -> float | None:
    count, distance = request.controller_pulses, request.controller_distance
    if (count is None) != (distance is None):
        name = "controller_pulses" if count is None else "controller_distance"
        message, allowed = "the controller's pulses go with their distance", "both of them, or none"
        raise CalibrationError("pair_incomplete", message, where=(name,), allowed=allowed)
    if count is None or distance is None:
        return None
    if not 0 < distance.si < math.inf:
        message, where = "controller_distance must be above zero", ("controller_distance",)
        raise CalibrationError("bad_controller_distance", message, where=where, allowed="a length above zero")
    return count / distance.si


def solve_comparison(request: ComparisonRequest, system: System) -> ComparisonAnswer:
    """Machines against each other; CalibrationError where they cannot be compared."""
    tell = Telling(system)
    rows = [
        (machine, one.opening.si, _flow(request, machine, index))
        for machine, caught in enumerate(request.machines)
        for index, one in enumerate(caught.catches)
    ]
    owner, opening, flow = zip(*rows, strict=True)
    found = machine_comparison(machine=owner, opening=opening, flow=flow)
    low, high = found.between_spread_interval
    return ComparisonAnswer(
        machines=[
            MachineDeviation(name=machine.name, deviation=tell.one(Ratio, by), stands_out=out)
            for machine, by, out in zip(request.machines, found.deviation.tolist(), found.stands_out, strict=True)
        ],
        f=found.f if math.isfinite(found.f) else None,
        p=found.p,
        between_degrees_of_freedom=found.between_freedom,
        within_degrees_of_freedom=found.within_freedom,
        within_spread=tell.one(Ratio, found.within_deviation),
        between_machine_spread=tell.one(Ratio, found.between_spread),
        between_machine_spread_interval=SpreadInterval(low=tell.one(Ratio, low), high=tell.maybe(Ratio, high)),
        machines_checked=len(request.machines),
        findings=findings(found.findings),
    )


def _flow(request: ComparisonRequest, machine: int, index: int) -> float:
    caught = request.machines[machine].catches[index]
    where = ("machines", machine, "catches", index)
    mass, duration = net_mass(caught, where, index), caught.duration.si
    for name, value in (("duration", duration), ("mass", mass)):
        if not 0 < value < math.inf:
            message, allowed = f"catch {index + 1} of machine {machine + 1}: {name} must be above zero", "above zero"
            raise CalibrationError(f"bad_{name}", message, where=(*where, name), given=value, allowed=allowed)
    return mass / duration
