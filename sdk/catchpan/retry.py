"""When to try again: a pure policy over what was seen, inside one deadline."""

from collections.abc import Callable
from typing import Any

from catchpan.calls import Call

FIRST_PAUSE = 0.1
LONGEST_PAUSE = 5.0
AGAIN = frozenset({429, 502, 503, 504})


def pause(
    call: Call[Any],
    *,
    attempt: int,
    status: int | None,
    retry_after: str | None,
    left: float,
    draw: Callable[[], float],
) -> float | None:
    """Seconds to wait before the next attempt, or None to give up.

    ``status`` is None where the answer was lost. Only calls that are safe to repeat are; the service's Retry-After
    is obeyed; nothing waits past the deadline, of which ``left`` seconds remain. ``draw`` gives a number from 0 to 1.
    """
    if not call.repeatable or (status is not None and status not in AGAIN):
        return None
    wanted = _told(retry_after)
    if wanted is None:
        wanted = min(LONGEST_PAUSE, FIRST_PAUSE * 2.0 ** min(attempt, 10)) * (0.5 + 0.5 * draw())
    return wanted if wanted < left else None


def _told(retry_after: str | None) -> float | None:
    try:
        return max(0.0, float(retry_after)) if retry_after else None
    except ValueError:
        return None
