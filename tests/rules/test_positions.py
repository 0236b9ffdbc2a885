"""Places in the feed: sealed, and gone when they can no longer be told."""

import pytest

from catchpan_service.rules.positions import END, BadSeal, Place, is_gone, opened, sealed

NOW = {"epoch": 2, "floor": 5, "position": 9}


@pytest.mark.parametrize(
    ("place", "gone"),
    [
        (Place(2, 9), False),
        (Place(2, 5), False),
        (Place(2, 5, END), False),
        (Place(2, 4), True),
        (Place(2, 0), True),
        (Place(1, 9), True),
        (Place(3, 9), True),
        (Place(2, 10), True),
        (Place(2, 9, 0), False),
    ],
)
def test_a_place_is_gone_before_the_floor_beyond_the_end_and_in_another_epoch(place, gone):
    assert is_gone(place, **NOW) == gone


def test_a_seal_opens_only_for_whom_it_was_made():
    made = sealed("2/9", secret=b"s" * 32, organisation="ours", scope="organisation")
    assert opened(made, secret=b"s" * 32, organisation="ours", scope="organisation") == "2/9"
    for secret, organisation, scope in (
        (b"t" * 32, "ours", "organisation"),
        (b"s" * 32, "theirs", "organisation"),
        (b"s" * 32, "ours", "branch:x"),
    ):
        with pytest.raises(BadSeal):
            opened(made, secret=secret, organisation=organisation, scope=scope)
