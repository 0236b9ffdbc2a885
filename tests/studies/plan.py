"""How much surer a planned session makes the curve than an evenly spaced one of the same catches and the same time."""

import numpy as np

from catchpan_service.calibration.catch_plan import PRIOR_PRECISION, CatchPlan, Session, catch_plan
from catchpan_service.calibration.catches import FloatArray

MATERIALS = 200
REPEATABILITY, OPENING = 0.02, 0.003


def truth(rng: np.random.Generator) -> tuple[float, float, float]:
    """An invented material: scale [kg/s], dead opening, exponent."""
    dead, exponent = rng.uniform(0.02, 0.14), rng.uniform(1.2, 2.2)
    return float(0.12 / (rng.uniform(0.45, 0.75) - dead) ** exponent), float(dead), float(exponent)


def worst(law: tuple[float, float, float], opening: FloatArray, duration: FloatArray, low: float, high: float) -> float:
    """Worst standard uncertainty of the curve from low to high, by the true law."""
    _, dead, exponent = law

    def gradient(x: FloatArray) -> FloatArray:
        return np.stack([np.ones_like(x), -exponent / (x - dead), np.log(x - dead)], axis=-1)

    information = PRIOR_PRECISION.copy()
    flowing = opening > dead + 0.01
    for place in np.unique(opening[flowing]):
        count = (opening == place).sum()
        own = REPEATABILITY**2 / count + (OPENING * exponent / (place - dead)) ** 2
        one = gradient(np.array([place]))[0]
        information += np.outer(one, one) / own
    at = gradient(np.linspace(low, high, 21))
    return float(np.sqrt(np.einsum("ni,ij,nj->n", at, np.linalg.inv(information), at).max()))


def even(plan: CatchPlan) -> tuple[FloatArray, FloatArray]:
    """The same number of catches in the same total time, evenly spaced from 20 to 80 %."""
    count = len(plan.catches)
    return np.linspace(0.2, 0.8, count), np.full(count, plan.time / count)


def factors(materials: int = MATERIALS, seed: int = 11) -> FloatArray:
    """Uncertainty of the evenly spaced session over that of the planned one, for each material."""
    rng, found = np.random.default_rng(seed), []
    for _ in range(materials):
        law = truth(rng)
        smallest, largest = 0.12 * rng.uniform(0.1, 0.3), 0.12
        plan = catch_plan(smallest_flow=smallest, largest_flow=largest, session=Session(bucket=5, bag=25), most=8)
        scale, dead, exponent = law
        ends = [(flow / scale) ** (1 / exponent) + dead for flow in (smallest, largest)]
        own = np.array([one.opening for one in plan.catches]), np.array([one.duration for one in plan.catches])
        found.append(worst(law, *even(plan), *ends) / worst(law, *own, *ends))
    return np.array(found)


def report() -> str:
    """The factor at the median and at the worst tenth."""
    found = factors()
    return (
        f"{MATERIALS} invented materials, nothing known; uncertainty of evenly spaced over that of planned catches\n"
        f"median:      {np.median(found):.2f}\n"
        f"worst tenth: {np.quantile(found, 0.1):.2f}"
    )
