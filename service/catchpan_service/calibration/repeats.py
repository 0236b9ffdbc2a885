"""What repeats at one opening give away: disagreement, a clump, a bucket that was not tared."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from scipy.special import chdtrc, fdtrc, stdtr

from .catches import REPEATABILITY, REPEATABILITY_WEIGHT, UncertaintyModel
from .evidence import Evidence, numbered, percent
from .findings import Finding
from .pooling import Session

REPEATS_LEVEL = 0.003
"""Probability, over all openings of a session, below which repeats disagree."""

CLUMP_LEVEL = 0.005
"""Probability, over all catches of a session, below which one of three or more repeats is a clump."""

BUCKET_LEVEL = 0.004
"""Probability below which two durations show a bucket that was not tared."""

DURATIONS_APART = 1.5
"""Ratio of two durations from which they tell a bucket from scatter."""

Groups = Sequence[tuple[int, ...]]


def groups_of(session: Session) -> list[tuple[int, ...]]:
    """The repeats: used catches of one gate setting at one opening, where there are two or more."""
    return [side.members for pool in session.pools for side in pool.sides if len(side.members) > 1]


def square_spread(session: Session, members: Sequence[int]) -> float:
    """Sum of squared deviations of ln q from their mean."""
    logs = [math.log(session.flow[index]) for index in members]
    middle = sum(logs) / len(logs)
    return sum([(value - middle) ** 2 for value in logs])


def disagreeing(evidence: Evidence, explained: frozenset[int] = frozenset()) -> Iterator[Finding]:
    """Each opening's repeats against all the others' and the assumption, by the F distribution.

    Where all are alike but together far beyond the assumption, the widest stand for them.
    """
    session = evidence.session
    groups = groups_of(session)
    spreads = [square_spread(session, members) for members in groups]
    everything, freedom = sum(spreads), sum([len(members) - 1 for members in groups])
    told = False
    for members, spread in zip(groups, spreads, strict=True):
        own = len(members) - 1
        floor = max([session.type_b[index] for index in members]) ** 2
        chance = _chance(evidence.model, spread, own, everything - spread, freedom - own, floor)
        if chance * len(groups) < REPEATS_LEVEL:
            told = True
            if not explained.intersection(members):
                yield _disagreement(session, members)
    if len(groups) > 1 and not told and not explained:
        floor = max([session.type_b[index] for members in groups for index in members]) ** 2
        if _chance(evidence.model, everything, freedom, 0.0, 0, floor) < REPEATS_LEVEL:
            yield _disagreement(session, max(groups, key=lambda members: square_spread(session, members)))


def _chance(model: UncertaintyModel, spread: float, own: int, others: float, other_freedom: int, floor: float) -> float:
    if model.repeatability is not None:
        return float(chdtrc(own, spread / max(model.repeatability**2, floor)))
    together = other_freedom + REPEATABILITY_WEIGHT
    expected = (others + REPEATABILITY_WEIGHT * REPEATABILITY**2) / together
    return float(fdtrc(own, together, spread / own / max(expected, floor)))


def _disagreement(session: Session, members: Sequence[int]) -> Finding:
    flows = [session.flow[index] for index in members]
    names = ", ".join([str(index + 1) for index in members])
    apart = percent(max(flows) / min(flows) - 1.0)
    return Finding(
        "repeats_disagree",
        "look",
        f"Catches {names} were made at one opening and differ by {apart}, "
        "more than the other repeats lead one to expect.",
        "Catch once more at this opening; check scale zero, empty bucket and stop-watch first.",
        ("catches", members[0]),
    )


def _expected(evidence: Evidence, sum_of_squares: float, freedom: float) -> tuple[float, float]:
    """Variance of one catch and its degrees of freedom, drawn towards the assumption; given is given."""
    if evidence.model.repeatability is not None:
        return evidence.model.repeatability**2, 1e9
    together = freedom + REPEATABILITY_WEIGHT
    return (sum_of_squares + REPEATABILITY_WEIGHT * REPEATABILITY**2) / together, together


# --- clumps -------------------------------------------------------------------------------------------


def clumps(evidence: Evidence) -> Iterator[tuple[int, Finding]]:
    """One of three or more repeats that gave far less than the rest: material hung for a while."""
    session = evidence.session
    groups = groups_of(session)
    spreads = [square_spread(session, members) for members in groups]
    everything = sum(spreads)
    freedom = sum([len(members) - 1 for members in groups])
    candidates = sum([len(members) for members in groups if len(members) > 2])
    for members, spread in zip(groups, spreads, strict=True):
        if len(members) < 3:
            continue
        low = min(members, key=lambda index: session.flow[index])
        rest = [index for index in members if index != low]
        own = square_spread(session, rest)
        variance, known = _expected(evidence, everything - spread + own, freedom - 1)
        middle = sum([math.log(session.flow[index]) for index in rest]) / len(rest)
        miss = middle - math.log(session.flow[low])
        sure = miss / math.sqrt(max(variance, session.type_b[low] ** 2) * (1.0 + 1.0 / len(rest)))
        if float(stdtr(known, -sure)) * candidates < CLUMP_LEVEL:
            yield low, _clump(low, math.expm1(-miss))


def _clump(index: int, off: float) -> Finding:
    name = numbered(index)
    return Finding(
        "clump_suspected",
        "look",
        f"{name.capitalize()} gave {percent(-off)} less than the other catches at its opening: a clump, it seems.",
        f"Look for lumps in hopper and gate, then repeat {name}.",
        ("catches", index),
    )


# --- bucket -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Bucket:
    """A mass that all catches seem to hold beside the material.

    Attributes
    ----------
    mass, standard_uncertainty : float
        [kg].
    chance : float
        Probability of as much by chance.
    members : tuple of int
        The catches that show it.
    """

    mass: float
    standard_uncertainty: float
    chance: float
    members: tuple[int, ...]


def bucket_of(evidence: Evidence) -> Bucket | None:
    """Mass that does not grow with the duration, from openings that were caught with two durations.

    m = q t + b, so that m/t = q + b (1/t): within each opening a straight line over 1/t of one common slope b.
    None where no opening was caught with two durations far enough apart. The scatter is judged after b is taken out.
    """
    session = evidence.session
    lines = [members for members in groups_of(session) if _two_durations(session, members)]
    if not lines or any(session.catches.weighings[index] != 1.0 for members in lines for index in members):
        return None
    slope, variance, missed = _common_slope(session, lines)
    others = sum([square_spread(session, members) for members in groups_of(session) if members not in lines])
    freedom = sum([len(members) - 1 for members in groups_of(session)]) - 1
    scatter, known = _expected(evidence, missed + others, freedom)
    floor = max([session.type_b[index] for members in lines for index in members]) ** 2
    uncertainty = math.sqrt(variance * max(scatter, floor))
    members = tuple([index for line in lines for index in line])
    return Bucket(slope, uncertainty, float(stdtr(known, -slope / uncertainty)), members)


def _two_durations(session: Session, members: Sequence[int]) -> bool:
    seconds = [float(session.catches.duration[index]) for index in members]
    return max(seconds) >= DURATIONS_APART * min(seconds)


def _common_slope(session: Session, lines: Groups) -> tuple[float, float, float]:
    """Common slope of m/t over 1/t, its variance and the squares missed, both in units of the relative variance.

    Weights are 1/q² of each opening, so that relative scatter is what is judged.
    """
    across = along = square = 0.0
    for members in lines:
        z = [1.0 / float(session.catches.duration[index]) for index in members]
        y = [session.flow[index] for index in members]
        middle_z, middle_y = sum(z) / len(z), sum(y) / len(y)
        across += sum([(a - middle_z) ** 2 for a in z]) / middle_y**2
        along += sum([(a - middle_z) * (b - middle_y) for a, b in zip(z, y, strict=True)]) / middle_y**2
        square += sum([(b - middle_y) ** 2 for b in y]) / middle_y**2
    return along / across, 1.0 / across, max(square - along**2 / across, 0.0)


def untared(evidence: Evidence) -> Iterator[tuple[Bucket, Finding]]:
    """A bucket that was weighed with its material, where two durations at one opening show it."""
    bucket = bucket_of(evidence)
    if bucket is None or bucket.chance >= BUCKET_LEVEL:
        return
    masses = evidence.session.catches.mass.tolist()
    lightest = min([masses[index] for index in bucket.members])
    heaviest = max(bucket.members, key=lambda index: masses[index])
    if bucket.mass >= lightest:
        return
    share = percent(round(bucket.mass / masses[heaviest], 2))
    yield (
        bucket,
        Finding(
            "bucket_not_tared",
            "look",
            f"Catches of two durations at one opening differ as if each held the same extra mass, about {share} of "
            f"{numbered(heaviest)}: the bucket was weighed with the material, it seems.",
            "Weigh the empty bucket: if the scale does not show zero, take its mass off every catch.",
            ("catches", bucket.members[0]),
        ),
    )
