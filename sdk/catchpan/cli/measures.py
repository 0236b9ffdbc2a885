"""``catchpan granules``, ``speed`` and ``compare``: a sieve analysis, a timed course, machines of a kind."""

from pathlib import Path

from catchpan.cli.arguments import ALength, ASpeed, SomeTimes
from catchpan.cli.connection import Common
from catchpan.cli.printing import number, put, put_findings, put_json, put_table, told
from catchpan.contract.comparisons import ComparisonAnswer, ComparisonRequest
from catchpan.contract.granules import GranulesRequest, Interpolation
from catchpan.contract.ground_speeds import GroundSpeedAnswer, GroundSpeedRequest
from catchpan.quantities import Times
from catchpan.tables import read_machines, read_sieves

_DEFAULT = Common()


def granules(sieves: Path, /, *, interpolation: Interpolation = "linear", common: Common = _DEFAULT) -> None:
    """Find the size guide number (SGN) and the uniformity index (UI) of a sieve analysis.

    Example: catchpan granules sieves.csv

    Parameters
    ----------
    sieves
        A CSV file: sieve (an opening, or No. 8), mass [g]; the coarsest first, the last row is the pan.
    interpolation
        Between sieves: linear or logarithmic.
    """
    openings, masses = read_sieves(sieves)
    with common.client() as client:
        answer = client.granules(GranulesRequest(sieves=openings, masses=masses, interpolation=interpolation))
    if common.json:
        put_json(answer)
        return
    put(f"SGN {number(answer.size_guide_number, 3)}   UI {number(answer.uniformity_index, 2)}   ({interpolation})")
    coarse, middle, fine = (told(size, 3) for size in (answer.coarse, answer.middle, answer.fine))
    put(f"10 % is coarser than {coarse}, half than {middle}, 95 % than {fine}")
    put()
    put_findings(answer.findings)


def speed(
    *,
    distance: ALength,
    time: SomeTimes,
    pulses: list[int] | None = None,
    controller_speed: ASpeed | None = None,
    controller_pulses: float | None = None,
    controller_distance: ALength | None = None,
    common: Common = _DEFAULT,
) -> None:
    """Measure ground speed over a course, and hold the controller against it.

    Example: catchpan speed --distance "200 ft" --time "39 s" --time "39.3 s" --controller-speed "3.5 mph"

    Parameters
    ----------
    distance
        Length of the course.
    time
        Time of a run; give it once for each run.
    pulses
        Pulses counted in a run; give it once for each run.
    controller_speed
        What the controller showed.
    controller_pulses
        Pulses that the controller is set to.
    controller_distance
        The distance that they stand for.
    """
    with common.client() as client:
        answer: GroundSpeedAnswer = client.ground_speed(
            GroundSpeedRequest(
                distance=distance,
                durations=Times([one.to("s") for one in time], "s"),
                pulses=pulses,
                controller_speed=controller_speed,
                controller_pulses=controller_pulses,
                controller_distance=controller_distance,
            )
        )
    if common.json:
        put_json(answer)
        return
    low, high = answer.interval.low, answer.interval.high
    put(f"Ground speed {told(answer.speed, 3)}   ({number(low.value, 3)} to {told(high, 3)}, 95 %)")
    if answer.pulses_each is not None:
        put(f"Pulses over the course {number(answer.pulses_each)}")
    for by, words in ((answer.controller_difference, "shows"), (answer.pulse_difference, "counts")):
        if by is not None:
            put(f"The controller {words} {by.value:+.1f} {by.unit} against the course")
    put()
    put_findings(answer.findings)


def compare(machines: Path, /, *, common: Common = _DEFAULT) -> None:
    """Compare machines of a kind: do they deliver the same, and which one stands out?

    Example: catchpan compare machines.csv

    Parameters
    ----------
    machines
        A catch file (CSV) with a column machine: the same openings and material on each.
    """
    with common.client() as client:
        answer: ComparisonAnswer = client.machine_comparison(ComparisonRequest(machines=read_machines(machines)))
    if common.json:
        put_json(answer)
        return
    put_table(
        ["machine", "against the mean", ""],
        [
            [m.name, f"{m.deviation.value:+.1f} {m.deviation.unit}", "stands out" if m.stands_out else ""]
            for m in answer.machines
        ],
    )
    verdict = "the machines differ beyond scatter" if answer.p < 0.05 else "nothing shows beyond scatter"
    put(f"\n{verdict} (p = {number(answer.p, 2)})")
    low, high = answer.between_machine_spread_interval.low, answer.between_machine_spread_interval.high
    within, between = told(answer.within_spread, 2), told(answer.between_machine_spread, 2)
    interval = f"{number(low.value, 2)} to {told(high, 2)}, 95 %"
    put(f"spread within a machine {within}, between machines {between} ({interval})")
    put()
    put_findings(answer.findings)
