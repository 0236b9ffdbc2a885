"""When a webhook may change, and when a message is sent again."""

from collections.abc import Callable
from datetime import timedelta
from typing import Final

from catchpan_service.rules.errors import NotLegal

MOST: Final = 20  # webhooks of an organisation: each costs a row for each change
BOTH_SIGN_FOR: Final = timedelta(hours=24)
KEPT: Final = timedelta(days=30)  # messages, to look up what became of them

# After each failure but the last: ten attempts within a day.
WAITS: Final = (
    timedelta(seconds=10),
    timedelta(minutes=1),
    timedelta(minutes=5),
    timedelta(minutes=20),
    timedelta(hours=1),
    timedelta(hours=2),
    timedelta(hours=4),
    timedelta(hours=6),
    timedelta(hours=9),
)
ATTEMPTS: Final = len(WAITS) + 1
JITTER: Final = 0.1  # either way, so that what failed together does not come back together
LONGEST_ASKED_FOR: Final = timedelta(hours=12)


def wait_after(attempt: int, asked_for: timedelta | None, draw: Callable[[], float]) -> timedelta | None:
    """How long to wait after a failed attempt; None after the last.

    Parameters
    ----------
    attempt : int
        Its number, from 1.
    asked_for : timedelta, optional
        What the receiver asked for: taken where it is longer than the usual, up to half a day.
    draw : callable
        A number of [0, 1).
    """
    if attempt >= ATTEMPTS:
        return None
    usual = WAITS[attempt - 1] * (1 + JITTER * (2 * draw() - 1))
    return max(usual, min(asked_for or usual, LONGEST_ASKED_FOR))


def require_room(count: int) -> None:
    """Refuse with NotLegal one webhook more than there may be."""
    if count >= MOST:
        raise NotLegal(f"There are {MOST} webhooks already.", state=f"{count} webhooks", event="add", allowed=("end",))


def require_live(event: str, *, ended: bool, disabled: bool = False) -> None:
    """Refuse with NotLegal what a webhook that ended, or is disabled, cannot do."""
    if ended:
        raise NotLegal("This webhook was ended; add another.", state="ended", event=event)
    if disabled:
        raise NotLegal("This webhook is disabled.", state="disabled", event=event, allowed=("resume", "end"))
