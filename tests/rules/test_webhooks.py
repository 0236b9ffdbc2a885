"""When a message is sent again."""

from datetime import timedelta

import pytest

from catchpan_service.rules.webhooks import ATTEMPTS, LONGEST_ASKED_FOR, WAITS, wait_after


def test_there_are_ten_attempts_within_about_a_day():
    assert ATTEMPTS == 10
    assert timedelta(hours=20) < sum(WAITS, timedelta()) < timedelta(hours=26)
    assert wait_after(9, None, lambda: 0.5) == WAITS[-1]
    assert wait_after(10, timedelta(hours=1), lambda: 0.5) is None


@pytest.mark.parametrize("attempt", range(1, ATTEMPTS))
def test_no_wait_is_missed_by_more_than_a_tenth(attempt):
    waits = [wait_after(attempt, None, lambda draw=draw: draw) for draw in (0.0, 0.25, 0.999)]
    assert waits == sorted(waits)
    assert WAITS[attempt - 1] * 0.9 <= waits[0] < waits[-1] < WAITS[attempt - 1] * 1.1


def test_a_receiver_may_ask_for_a_longer_wait_within_bounds():
    for asked, waited in [(-5, 10), (0, 10), (3, 10), (600, 600), (10**6, LONGEST_ASKED_FOR.total_seconds())]:
        assert wait_after(1, timedelta(seconds=asked), lambda: 0.5).total_seconds() == waited
