"""Flow curves against certified fits and the law of orifices."""

import math

import numpy as np
from numpy.typing import ArrayLike

from catchpan_service.calibration.catches import UncertaintyModel, catches
from catchpan_service.calibration.curve import fit_variance, flow
from catchpan_service.calibration.drag import GRAVITY
from catchpan_service.calibration.flow_curve import FlowFit, fit_flow_curve
from catchpan_service.calibration.forms import offset_power
from catchpan_service.calibration.pooling import pool

from .row import Row
from .values_machines import SIRSTV, STRD_ANOVA

DANWOOD = "NIST StRD, DanWood (NIST_STRD/DanWood.dat of lmfit/lmfit-py)"
DANWOOD_X = np.array([1.309, 1.471, 1.490, 1.565, 1.611, 1.680])
DANWOOD_Y = np.array([2.138, 3.421, 3.597, 4.340, 4.882, 5.660])
BEVERLOO = "Beverloo, Leniger, van de Velde, Chem. Eng. Sci. 15 (1961) 260"
NEDDERMAN = "Nedderman, Statics and Kinematics of Granular Materials (1992)"


def danwood(form: str) -> FlowFit:
    """The data as catches of one second, x halved so that openings stay below 1."""
    session = catches(opening=DANWOOD_X / 2, mass=DANWOOD_Y, duration=np.ones(6))
    return fit_flow_curve(session, form=form, weighting="equal")


def danwood_scale() -> list[float]:
    """The flow at x of 1, and its standard deviation."""
    curve = danwood("power").curve
    at_one = float(flow(curve, 0.5))
    return [at_one, at_one * math.sqrt(float(fit_variance(curve, 0.5)))]


def danwood_exponent() -> list[float]:
    """The exponent, and its standard deviation."""
    exponent = danwood("power").parameters["exponent"]
    return [exponent.value, exponent.standard_uncertainty]


def danwood_residuals() -> list[float]:
    """Residual sum of squares, standard deviation, degrees of freedom."""
    fit = danwood("power")
    return [fit.residual_sum_of_squares, fit.residual_standard_deviation or math.nan, fit.degrees_of_freedom]


def danwood_offset() -> list[float]:
    """Scale, dead opening, exponent and residual sum of squares."""
    fit = danwood("offset_power")
    return [*(one.value for one in fit.parameters.values()), fit.residual_sum_of_squares]


def hole(diameter: ArrayLike, bulk_density: float, grain: float) -> np.ndarray:
    """Flow through a round hole, C 0.58, k 1.4 [kg/s]."""
    return law(diameter, 0.58 * bulk_density, grain, 2.5)


def slot(width: ArrayLike, length: float, bulk_density: float, grain: float) -> np.ndarray:
    """Flow through a slot, C 1.03, k 1.4 [kg/s]."""
    return law(width, 1.03 * bulk_density * (length - 1.4 * grain), grain, 1.5)


def law(gap: ArrayLike, factor: float, grain: float, exponent: float) -> np.ndarray:
    """Our offset power form with an orifice's constants."""
    names = {"flow_scale": factor * math.sqrt(GRAVITY), "dead_opening": 1.4 * grain, "exponent": exponent}
    return offset_power(np.asarray(gap), **{name: np.asarray(value) for name, value in names.items()})


def fitted(flows: ArrayLike) -> list[float]:
    """Exponent, and dead opening in tenths of a metre, of flows at 10, 20 and 30 mm."""
    session = catches(opening=[0.1, 0.2, 0.3], mass=flows, duration=np.ones(3))
    found = fit_flow_curve(session, form="offset_power").parameters
    return [found["exponent"].value, found["dead_opening"].value]


def pooled_deviation() -> float:
    """Repeatability of the groups, taken as logarithms of flows."""
    values = np.array(SIRSTV) - 196.0
    session = catches(
        opening=np.repeat([0.2, 0.3, 0.4, 0.6, 0.8], 5), mass=np.exp(values).reshape(-1), duration=np.ones(25)
    )
    return pool(session, UncertaintyModel()).repeatability.value


ROWS = (
    Row("flow curve, power: scale and its deviation", DANWOOD, "7.6886226176E-01 1.8281973860E-02", danwood_scale),
    Row("flow curve, power: exponent and its deviation", DANWOOD, "3.8604055871E+00 5.1726610913E-02", danwood_exponent),
    Row(
        "flow curve, power: sum of squares, residual deviation, degrees of freedom",
        DANWOOD,
        "4.3173084083E-03 3.2853114039E-02 4",
        danwood_residuals,
    ),
    Row(
        "flow curve, offset power: scale, dead opening, exponent, sum of squares",
        "SciPy, on the data of DanWood",
        "22.444 0.2563 2.5555 0.0011131",
        danwood_offset,
        basis="computed",
    ),
    Row(
        "flow of grains of 2.5 mm, 750 kg/m³, through holes of 10, 20, 30 mm [kg/s]",
        BEVERLOO,
        "0.00464016 0.0476387 0.155727",
        lambda: hole([0.01, 0.02, 0.03], 750, 0.0025),
        basis="computed",
    ),
    Row(
        "of 3 mm, 1000 kg/m³ [kg/s]",
        BEVERLOO,
        "0.00465327 0.0569943 0.194195",
        lambda: hole([0.01, 0.02, 0.03], 1000, 0.003),
        basis="computed",
    ),
    Row("flow through a hole of 1.2 and of 1 granule [kg/s]", BEVERLOO, "0 0", lambda: hole([0.003, 0.0025], 750, 0.0025), basis="computed", near=0),
    Row("flow through a slot, 60 × 20 mm [kg/s]", NEDDERMAN, "0.289690", lambda: slot(0.02, 0.06, 750, 0.0025), basis="computed"),
    Row(
        "exponent and dead opening fitted to flows of holes, grains of 2.5 mm",
        BEVERLOO,
        "2.5 0.035",
        lambda: fitted(hole([0.01, 0.02, 0.03], 750, 0.0025)),
        basis="from memory",
        near=2e-6,
    ),
    Row(
        "the same, grains of 3 mm",
        BEVERLOO,
        "2.5 0.042",
        lambda: fitted(hole([0.01, 0.02, 0.03], 1000, 0.003)),
        basis="from memory",
        near=2e-6,
    ),
    Row(
        "exponent and dead opening fitted to flows of slots",
        NEDDERMAN,
        "1.5 0.035",
        lambda: fitted(slot([0.01, 0.02, 0.03], 0.06, 750, 0.0025)),
        basis="from memory",
        near=2e-6,
    ),
    Row("repeatability pooled over five openings", STRD_ANOVA, "0.104076068334656", pooled_deviation, share=1e-12),
)  # fmt: skip
