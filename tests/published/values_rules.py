"""Limits and rules of practice that computations take from bulletins."""

from catchpan_service.calibration import check_catch, overlap, overlap_findings, pan_conditions
from catchpan_service.calibration.catches import SCALE_READABILITY
from catchpan_service.calibration.drag import AIR_DENSITY, AIR_VISCOSITY
from catchpan_service.calibration.pattern import HALF_RATE_SHARE

from .row import Row
from .values_rate import UMASS

PRESS = "Southeast Farm Press, spinner-spreader article"
GEORGIA = "Univ. of Georgia, precisionagirrigation.extension.uga.edu/?p=1193"
OUNCE, MPH = 0.028349523125, 0.44704

ROWS = (
    Row(
        "check catch: what passes of 5 lb/1000 ft²",
        UMASS,
        "4.75 5.25",
        lambda: [5 * (1 - check_catch.TOLERANCE), 5 * (1 + check_catch.TOLERANCE)],
        near=1e-12,
    ),
    Row("step of the scale that is assumed [oz]", "Univ. of Georgia (Sumner), studylib 10745634", "0.25", lambda: SCALE_READABILITY / OUNCE, near=1e-12),
    Row("largest CV, nitrogen [%]", "Ravensdown note on the NZ certification scheme (2014)", "15", lambda: 100 * overlap.CV_LIMIT, near=1e-12),
    Row("half-rate rule: share of the centre", "Ohio State Univ. Extension, Bulletin 817-00, b817_13", "0.5", lambda: HALF_RATE_SHARE, near=0),
    Row("pans inside the effective width, at least", PRESS, "10", lambda: overlap_findings.FEWEST_PANS_INSIDE, near=0),
    Row("row of pans over the expected swath, at least", "Ohio State Univ. Extension, Bulletin 817-00", "1.5", lambda: pan_conditions.SHORTEST_ROW, near=0),
    Row("rows that agree, within [%]", "turf slide set, slideplayer.com/slide/3861029", "10", lambda: 100 * overlap_findings.ROW_LEVEL_TOLERANCE, near=1e-12),
    Row("wind below which one spreads [mph]", PRESS, "5", lambda: pan_conditions.WIND_LOOK / MPH, near=1e-12),
    Row("wind in which one may test, at most [mph]", GEORGIA, "10", lambda: pan_conditions.WIND_STOP / MPH, near=1e-12),
    Row(
        "air at 20 °C: density [kg/m³], viscosity [Pa s]",
        "J. Carr, nettally.com/jcarr/Physics/drag/drag1a.html",
        "1.205 1.808e-5",
        lambda: [AIR_DENSITY, AIR_VISCOSITY],
        share=2e-3,
    ),
)  # fmt: skip
