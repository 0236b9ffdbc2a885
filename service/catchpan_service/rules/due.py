"""When things want to be looked at again."""

from datetime import datetime, timedelta
from typing import Final

# Common practice: a calibration is checked, and a machine commissioned, at least once a year.
INTERVAL: Final = timedelta(days=365)


def check_due(released: datetime) -> datetime:
    """When a revision that was released then wants its next check catch."""
    return released + INTERVAL


def commissioning_due(done: datetime) -> datetime:
    """When a machine that was commissioned then wants to be again."""
    return done + INTERVAL
