"""What a correction may be, and what a setting says of it."""

from collections.abc import Iterator
from datetime import datetime

from catchpan.contract.corrections import Correction, CorrectionRequest
from catchpan.contract.findings import Finding, FindingCode, Severity
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.calibration.opening import LARGEST_CORRECTION, SAME


def require_sound(request: CorrectionRequest, now: datetime) -> None:
    """Refuse with CalibrationError a correction that cannot be, or that stands for a calibration."""
    if (request.machine is None) == (request.lot is None) or request.lot == "":
        message, allowed = "a correction is for one machine or for one lot", "exactly one of machine and lot"
        raise CalibrationError("bad_target", message, where=("machine",), allowed=allowed)
    if not abs(request.factor - 1) <= LARGEST_CORRECTION + SAME:
        message = f"a correction of {request.factor:g} is too far from 1: calibrate again"
        allowed = f"{1 - LARGEST_CORRECTION:.2f} to {1 + LARGEST_CORRECTION:.2f}"
        raise CalibrationError("bad_factor", message, where=("factor",), given=request.factor, allowed=allowed)
    if not 0 <= request.standard_uncertainty.si <= 1:
        message, where = "the uncertainty of the factor cannot be that", ("standard_uncertainty",)
        given = str(request.standard_uncertainty)
        raise CalibrationError("bad_standard_uncertainty", message, where=where, given=given, allowed="0 to 100 %")
    if not now < request.until:
        message, given = "a correction needs a day to come on which it ends", f"{request.until:%Y-%m-%d}"
        allowed = f"after {now:%Y-%m-%d}"
        raise CalibrationError("bad_until", message, where=("until",), given=given, allowed=allowed)


def said(correction: Correction | None) -> Iterator[Finding]:
    """What a machine's setting says of the correction that went into it."""
    if correction is not None:
        yield Finding(
            code=FindingCode.CORRECTED,
            severity=Severity.NOTE,
            where="/correction",
            what=f"Corrected for this machine: it delivers {correction.factor:.3f} of what the curve promises.",
            advice=f"By {correction.by}, until {correction.until:%Y-%m-%d}; then check again.",
        )
