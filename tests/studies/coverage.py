"""Does a stated 95 % hold? Made-up machines, with the errors that the uncertainty model assumes.

Each machine has a true offset-power curve. Its gate stands off by a normal error at each distinct
opening, its scale by one error for all catches, and single catches scatter by a spread of its own. The
study fits a curve, asks for the opening of a random working rate, sets it with yet another error of the
gate, and looks whether the rate that is truly laid lies in the interval that was stated.
:mod:`.intervals` looks at every other interval too.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from catchpan_service.calibration.catches import OPENING_UNCERTAINTY
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.flow_curve import FlowFit, fit_flow_curves
from catchpan_service.calibration.opening import opening_for_rate

from . import intervals
from .machines import Machine, machine

UNEVEN = (0.15, 0.24, 0.4, 0.6, 0.9)
"""Five unevenly spaced openings."""

REPEATED = (0.15, 0.15, 0.24, 0.4, 0.4, 0.6, 0.9, 0.9)
"""The same with repeats at three."""


@dataclass(frozen=True)
class Findings:
    """What a study counts, each as a share of the machines."""

    covered: float
    rejected: float
    accused: dict[str, float]
    refused: float


def holds(made: Machine, fit: FlowFit, rng: np.random.Generator) -> bool:
    """Tell whether the truly laid rate lies in the stated interval, at a random working rate."""
    working = rng.uniform(*fit.opening_range)
    answer = opening_for_rate(fit.curve, rate=made.flow(working), speed=1.0, laid_width=1.0)
    laid = made.flow(float(answer.opening) + rng.normal(0.0, OPENING_UNCERTAINTY))
    low, high = answer.rate_interval_this_machine
    return bool(low <= laid <= high) and np.isfinite(answer.opening)


def study(count: int, openings: Sequence[float], *, seed: int, spread: float | None = None) -> Findings:
    """Run one study over `count` machines."""
    rng = np.random.default_rng(seed)
    machines = [machine(rng, openings, spread) for _ in range(count)]
    fits = fit_flow_curves([made.case for made in machines])
    pairs = [(made, fit) for made, fit in zip(machines, fits, strict=True) if not isinstance(fit, CalibrationError)]
    codes = [finding.code for _, fit in pairs for finding in fit.findings if finding.severity != "note"]
    return Findings(
        covered=sum(holds(made, fit, rng) for made, fit in pairs) / count,
        rejected=sum(fit.curve.form != "offset_power" for _, fit in pairs) / count,
        accused={code: codes.count(code) / count for code in sorted(set(codes))},
        refused=1.0 - len(pairs) / count,
    )


def report(count: int = 1000) -> str:
    """Print the three figures of the rate interval, how often honest catches are accused, and every interval."""
    assumed = study(count, REPEATED, seed=1)
    rough = study(count, UNEVEN, seed=2, spread=0.04)
    lines = [
        f"{count} machines each",
        f"95 % interval holds, five openings, repeats at three:        {assumed.covered:.1%}",
        f"95 % interval holds, no repeats, true spread 4 %:            {rough.covered:.1%}",
        f"true curve rejected by auto, repeats at three:               {assumed.rejected:.1%}",
        f"true curve rejected by auto, no repeats, true spread 4 %:    {rough.rejected:.1%}",
        f"honest sessions refused:                                     {assumed.refused:.1%}",
        *[f"honest sessions accused, {code}: {share:.1%}" for code, share in assumed.accused.items()],
    ]
    return "\n".join([*lines, "", intervals.report(count)])
