"""Whom do the findings on catches accuse? Honest sessions that must be left in peace, spoiled ones to be found.

Machines and materials are invented. The spread of a machine is drawn from 1 to 4 %, a third of the gates follow
no power law, openings, repeats, durations, scales and watches differ. The gate stands off at each opening, and
all catches of a session share an error, as the uncertainty model assumes.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import beta

from catchpan_service.calibration.catches import OPENING_UNCERTAINTY, SHARED_UNCERTAINTY, Catches, catches
from catchpan_service.calibration.curve import FlowCurve
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.evidence import NOTHING_KNOWN, Circumstances
from catchpan_service.calibration.flow_curve import FitCase, FlowFit, fit_flow_curves

POUND = 0.45359237
SCALES = (0.25 / 16 * POUND, 0.01 * POUND, 0.02 * POUND, 0.001, 0.005)
"""Steps of the scales [kg]."""

SET_BY_SHAPE = "form_does_not_fit"
"""Says that the gate follows no power law: no accusation, counted apart."""

Spoil = Callable[["Session", np.random.Generator], "Session | None"]


@dataclass(frozen=True)
class Machine:
    """A true curve; `wave` bends it away from the power law."""

    scale: float
    dead: float
    exponent: float
    wave: float
    phase: float

    def flow(self, opening: np.ndarray) -> np.ndarray:
        """Flow [kg/s]."""
        bend = self.wave * np.sin(2 * math.pi * (opening / 0.7 + self.phase))
        return self.scale * np.maximum(opening - self.dead, 1e-4) ** self.exponent * np.exp(bend)


@dataclass(frozen=True)
class Session:
    """Catches of a machine; `to_find` are the catches that were spoiled, by number."""

    machine: Machine
    spread: float
    made: Catches
    circumstances: Circumstances = NOTHING_KNOWN
    to_find: tuple[int, ...] = ()

    @property
    def case(self) -> FitCase:
        """What is sent to the fit."""
        return FitCase(self.made, circumstances=self.circumstances)


def machine(rng: np.random.Generator, *, honest_law: bool) -> Machine:
    """A machine; where it follows no power law it is off by 3 to 10 % here and there."""
    exponent, dead = rng.uniform(1.2, 2.2), rng.uniform(0.02, 0.14)
    scale = rng.uniform(0.15, 0.5) / (1 - dead) ** exponent
    return Machine(scale, dead, exponent, 0.0 if honest_law else rng.uniform(0.03, 0.1), rng.uniform())


def caught(rng: np.random.Generator, made: Machine, opening: np.ndarray, seconds: np.ndarray, spread: float) -> Catches:
    """Honest catches, read on a scale."""
    off = {place: rng.normal(0, OPENING_UNCERTAINTY) for place in set(opening.tolist())}
    true = made.flow(opening + np.array([off[place] for place in opening.tolist()]))
    mass = true * seconds * (1 + rng.normal(0, SHARED_UNCERTAINTY)) * np.exp(rng.normal(0, spread, len(opening)))
    step = rng.choice(SCALES)
    return catches(opening=opening, mass=np.maximum(np.round(mass / step), 1) * step, duration=seconds)


def seconds_for(rng: np.random.Generator, made: Machine, opening: np.ndarray) -> np.ndarray:
    """Durations that fill a bucket with 1 to 3 kg, whole seconds or whole steps of 15 s, 8 to 90 s."""
    wanted = np.clip(rng.uniform(1, 3) / made.flow(opening), 10, 90)
    return np.maximum(np.round(wanted), 8.0) if rng.random() < 0.5 else np.maximum(15 * np.round(wanted / 15), 15.0)


def honest(rng: np.random.Generator) -> Session:
    """A session as crews make them: 2 to 7 openings, one to three catches at each, at times two durations."""
    made = machine(rng, honest_law=rng.random() > 1 / 3)
    places = np.round(
        made.dead + 0.06 + np.sort(rng.choice(np.arange(18), rng.integers(2, 8), replace=False)) * 0.045, 2
    )
    opening = np.repeat(places, rng.integers(1, 4, len(places)))
    seconds = seconds_for(rng, made, opening)
    if rng.random() < 0.5:
        opening, seconds = np.append(opening, opening[0]), np.append(seconds, max(round(seconds[0] / 3), 5))
    spread = rng.uniform(0.01, 0.04)
    session = Session(made, spread, caught(rng, made, opening, seconds, spread))
    return with_reference(rng, session) if rng.random() < 1 / 3 else session


def with_reference(rng: np.random.Generator, session: Session, lot: float = 0.03) -> Session:
    """The same with another curve of the same material, of a lot and machine that differ."""
    own = session.machine
    law = replace(own, scale=own.scale * math.exp(rng.normal(0, lot)), wave=0.0)
    return replace(session, circumstances=Circumstances(reference=curve_of(law)))


def curve_of(law: Machine) -> FlowCurve:
    """The true law as a curve."""
    covariance = ((1e-4, 0.0, 0.0), (0.0, 1e-6, 0.0), (0.0, 0.0, 1e-4))
    return FlowCurve(
        "offset_power", "offset_power/1", "uncertainty", "both", None, law.scale, law.dead, law.exponent,
        (0.2, 0.4, 0.6, 0.9), (), (), covariance, 10.0, (0.2, 0.9), 0.2, None, 0.003, 0.005,
    )  # fmt: skip


def plain(
    rng: np.random.Generator, places: Sequence[float], repeats: Sequence[int], spread: float, *, law: bool = True
) -> Session:
    """An honest session at given openings, with given repeats."""
    made = machine(rng, honest_law=law)
    opening = np.repeat(made.dead + np.array(places), repeats)
    return Session(made, spread, caught(rng, made, opening, seconds_for(rng, made, opening), spread))


# --- what can be spoiled ------------------------------------------------------------------------------


def times(session: Session, index: int, factor: float) -> Session:
    """One catch weighed with another unit."""
    mass = session.made.mass.copy()
    mass[index] *= factor
    return replace(session, made=replace(session.made, mass=mass), to_find=(index,))


def all_times(session: Session, factor: float) -> Session:
    """All catches weighed with another unit."""
    return replace(session, made=replace(session.made, mass=session.made.mass * factor))


def with_bucket(session: Session, share: float, index: int) -> Session:
    """A bucket that was not tared: `share` of the catch `index` is bucket."""
    bucket = session.made.mass[index] * share / (1 - share)
    return replace(session, made=replace(session.made, mass=session.made.mass + bucket))


def swapped(session: Session, one: int, other: int) -> Session:
    """The openings of two catches exchanged."""
    opening = session.made.opening.copy()
    opening[[one, other]] = opening[[other, one]]
    return replace(session, made=replace(session.made, opening=opening), to_find=(one, other))


def typed_minutes(session: Session) -> Session:
    """90 s typed as 1.30 where minutes were asked for."""
    whole, rest = np.divmod(session.made.duration, 60)
    return replace(session, made=replace(session.made, duration=60 * (whole + rest / 100)))


def typed_ounces(session: Session) -> Session:
    """4 lb 6 oz typed as 4.6 where pounds were asked for; as 4.12 for 12 oz."""
    ounces = np.round(session.made.mass / POUND * 16)
    whole, rest = np.divmod(ounces, 16)
    decimal = np.where(rest < 10, rest / 10, rest / 100)
    return replace(session, made=replace(session.made, mass=POUND * (whole + decimal)))


# --- counting -----------------------------------------------------------------------------------------


def fits(sessions: Sequence[Session]) -> list[FlowFit | CalibrationError]:
    """All fits, in batches."""
    return [
        one for k in range(0, len(sessions), 2000) for one in fit_flow_curves([s.case for s in sessions[k : k + 2000]])
    ]


def accusations(fit: FlowFit | CalibrationError) -> set[str]:
    """Codes that accuse somebody; a refusal accuses too."""
    if isinstance(fit, CalibrationError):
        return {fit.code}
    return {finding.code for finding in fit.findings if finding.severity != "note"} - {SET_BY_SHAPE}


def upper_limit(hits: int, count: int) -> float:
    """Upper end of the exact two-sided 95 % interval of a share (Clopper and Pearson 1934; from memory)."""
    return 1.0 if hits == count else float(beta.ppf(0.975, hits + 1, count - hits))


def honest_share(count: int, seed: int) -> tuple[dict[str, int], int, int]:
    """Accusations by code, sessions with any, and sessions of which the form is said not to fit."""
    rng = np.random.default_rng(seed)
    found = fits([honest(rng) for _ in range(count)])
    codes = [accusations(fit) for fit in found]
    each = {code: sum(code in one for one in codes) for code in sorted(set().union(*codes))}
    shapes = sum(isinstance(f, FlowFit) and any(x.code == SET_BY_SHAPE for x in f.findings) for f in found)
    return each, sum(bool(one) for one in codes), shapes


def found_share(make: Callable[[np.random.Generator], Session], code: str, count: int, seed: int = 7) -> float:
    """Share of spoiled sessions in which a finding of the code names one of the spoiled catches, if any is named."""
    rng = np.random.default_rng(seed)
    sessions = [make(rng) for _ in range(count)]
    return float(np.mean([_names(fit, code, s.to_find) for s, fit in zip(sessions, fits(sessions), strict=True)]))


def _names(fit: FlowFit | CalibrationError, code: str, to_find: tuple[int, ...]) -> bool:
    if isinstance(fit, CalibrationError):
        return False
    places = [finding.where[1:] for finding in fit.findings if finding.code == code]
    return any(not to_find or place[:1] == () or place[0] in to_find for place in places)


FOUR, SIX = (0.08, 0.2, 0.4, 0.7), (0.06, 0.12, 0.22, 0.36, 0.52, 0.74)


def unit_slip(places: Sequence[float], repeats: Sequence[int], index: int, factor: float, spread: float):
    """Make sessions with one catch in another unit."""
    return lambda rng: times(plain(rng, places, repeats, spread * rng.uniform(0.5, 1.0)), index, factor)


def two_durations(share: float, spread: float, *, of_longer: bool = True):
    """Make sessions of an untared bucket, with two durations 1:3 at the second opening."""

    def make(rng: np.random.Generator) -> Session:
        made = machine(rng, honest_law=True)
        opening = made.dead + np.array([0.08, 0.2, 0.2, 0.4, 0.7])
        seconds = np.maximum(np.round(2.0 / made.flow(opening)), 15.0)
        seconds[1], seconds[2] = 3 * seconds[1], seconds[1]
        session = Session(made, spread, caught(rng, made, opening, seconds, spread))
        return with_bucket(session, share, 1 if of_longer else 2)

    return make


def clump(
    low: float, high: float, places: Sequence[float] = (0.08, 0.2, 0.4, 0.7), spread: tuple[float, float] = (0.01, 0.04)
):
    """Make sessions of three repeats at each opening, one of which gave `low` to `high` spreads less."""

    def make(rng: np.random.Generator) -> Session:
        session = plain(rng, places, [3] * len(places), rng.uniform(*spread))
        index = int(rng.integers(3 * len(places)))
        return times(session, index, math.exp(-session.spread * rng.uniform(low, high)))

    return make


def cells(count: int) -> dict[str, tuple[float, float | None]]:
    """Each cell's share found, and the share that is aimed at, None where none is."""
    found: dict[str, tuple[float, float | None]] = {}

    def put(title: str, make, code: str, aim: float | None = None) -> None:
        found[title] = found_share(make, code, count), aim

    slip = "catch_in_another_unit"
    for factor, name in ((2.2046, "x 2.2046"), (1 / 2.2046, "/ 2.2046"), (16.0, "x 16"), (1 / 16, "/ 16")):
        aim = 0.95 if "2.2" in name else None
        put(
            f"one catch {name}, 4 openings with repeats there",
            unit_slip(FOUR, (1, 1, 2, 1), 2, factor, 0.02),
            slip,
            aim,
        )
        for index in (1, 2, 3):
            words = f"one catch {name}, 4 openings, at number {index + 1}"
            put(words, unit_slip(FOUR, (1, 1, 1, 1), index, factor, 0.02), slip, aim)
        put(f"one catch {name}, 6 openings, at number 4", unit_slip(SIX, (1,) * 6, 3, factor, 0.02), slip, aim)
        put(f"one catch {name}, lowest opening with repeats", unit_slip(FOUR, (2, 1, 1, 1), 0, factor, 0.02), slip, aim)
        put(f"one catch {name}, lowest of 4 openings, no repeats", unit_slip(FOUR, (1,) * 4, 0, factor, 0.02), slip)
        put(f"one catch {name}, 3 openings, at number 2", unit_slip(FOUR[1:], (1,) * 3, 1, factor, 0.02), slip)
        put(f"one catch {name}, 6 openings, spread up to 4 %", unit_slip(SIX, (1,) * 6, 3, factor, 0.04), slip)
        put(
            f"all catches {name}, reference curve",
            lambda rng, factor=factor: all_times(
                with_reference(rng, plain(rng, FOUR, (1, 1, 2, 1), rng.uniform(0.01, 0.04))), factor
            ),
            "all_in_another_unit",
            0.95,
        )
    bucket = "bucket_not_tared"
    put("untared, bucket 10 % of the longer catch, spread 2 %", two_durations(0.1, 0.02), bucket, 0.95)
    put("untared, bucket 15 % of the longer catch, spread 2 %", two_durations(0.15, 0.02), bucket, 0.95)
    put("untared, bucket 20 % of the longer catch, spread 1 %", two_durations(0.2, 0.01), bucket, 0.95)
    put("untared, bucket 10 % of the longer catch, spread 4 %", two_durations(0.1, 0.04), bucket)
    put("untared, bucket 10 % of the shorter catch, spread 2 %", two_durations(0.1, 0.02, of_longer=False), bucket)
    put("clump 6 to 15 spreads, three repeats at 4 openings", clump(6, 15), "clump_suspected", 0.95)
    for size in (6, 8, 10):
        put(f"clump of {size} spreads, three repeats at 4 openings", clump(size, size), "clump_suspected")
    put("clump 6 to 15 spreads, three repeats at 2 openings", clump(6, 15, (0.2, 0.7)), "clump_suspected")
    put(
        "openings of neighbours swapped, 6 openings, spread 2 %",
        lambda rng: swapped(plain(rng, SIX, (1,) * 6, 0.02), 2, 3),
        "openings_swapped",
    )
    put(
        "openings swapped, two apart, 6 openings, spread 2 %",
        lambda rng: swapped(plain(rng, SIX, (1,) * 6, 0.02), 1, 4),
        "openings_swapped",
    )
    put(
        "all times typed as minutes.seconds, 6 openings with repeats",
        lambda rng: typed_minutes(plain(rng, SIX, (1, 2, 1, 2, 1, 1), 0.02)),
        "minutes_and_seconds",
    )
    put(
        "all masses typed as pounds.ounces, 6 openings with repeats",
        lambda rng: typed_ounces(plain(rng, SIX, (1, 2, 1, 2, 1, 1), 0.02)),
        "pounds_and_ounces",
    )
    return found


def report(count: int = 10_000) -> str:
    """Print honest sessions accused, and each cell's share found."""
    each, hits, shapes = honest_share(count, seed=2026)
    lines = [
        f"{count} honest sessions, spread 1 to 4 %, a third of the gates no power law",
        f"accused of anything: {hits / count:.2%}, upper 95 % limit {upper_limit(hits, count):.2%} (aim: 2 % or less)",
        *[f"    {code}: {number / count:.2%}" for code, number in each.items()],
        f"form said not to fit (no accusation): {shapes / count:.2%}",
        "",
        "share found of what was spoiled",
    ]
    for title, (share, aim) in cells(max(count // 20, 20)).items():
        verdict = "" if aim is None else "  as aimed" if share >= aim else f"  BELOW THE AIM OF {aim:.0%}"
        lines.append(f"    {title:60s} {share:7.1%}{verdict}")
    return "\n".join(lines)
