"""What a report from a machine may say."""

from datetime import datetime, timedelta
from typing import Final

from catchpan.contract.running import RunningReport
from catchpan_service.calibration.errors import CalibrationError

SLACK: Final = timedelta(days=1)
"""By which the clock of whoever reports may be ahead."""


def require_past(at: datetime, now: datetime, name: str = "at") -> None:
    """Refuse with CalibrationError what cannot have happened yet."""
    if at > now + SLACK:
        message, given = "it cannot have been on a day yet to come", f"{at:%Y-%m-%d}"
        raise CalibrationError(f"bad_{name}", message, where=(name,), given=given, allowed=f"by {now:%Y-%m-%d}")


def require_taken_up(said: RunningReport, now: datetime) -> None:
    """Refuse with CalibrationError a setting that nobody confirmed at the machine, or a day yet to come."""
    require_past(said.at, now)
    if not said.confirmed:
        message = "a setting is taken up only on a parked machine with shut gates, confirmed by a person at it"
        raise CalibrationError("not_confirmed", message, where=("confirmed",), given=False, allowed="true")
