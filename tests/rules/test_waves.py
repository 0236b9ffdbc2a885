"""Which machine is in which wave."""

from uuid import UUID

import pytest

from catchpan.contract.rollouts import WaveRequest
from catchpan.quantities import Ratio
from catchpan_service.rules.errors import BadWave
from catchpan_service.rules.waves import Candidate, assign, late

MACHINES = [UUID(int=one) for one in range(1, 101)]
CANDIDATES = {
    one: Candidate("north" if one.int % 4 else "south", frozenset({"ice"} if one.int % 10 == 0 else ()))
    for one in MACHINES
}


def share(percent):
    return Ratio(value=percent, unit="%")


def sizes(*waves, seed="seed"):
    found = assign(waves, CANDIDATES, seed)
    return [list(found.values()).count(number) for number in range(1, len(waves) + 1)]


def test_a_wave_takes_what_it_names_and_no_earlier_wave_took():
    north, ice = WaveRequest(branches=["north"]), WaveRequest(tags=["ice"])
    assert sizes(north, WaveRequest()) == [75, 25]
    assert sizes(ice, north, WaveRequest()) == [10, 70, 20]
    assert sizes(WaveRequest(branches=["north"], tags=["ice"]), WaveRequest()) == [80, 20]
    assert sizes(WaveRequest(machines=[str(MACHINES[3])]), north) == [1, 75]
    assert sizes(WaveRequest(machines=[str(MACHINES[3])], branches=["north"])) == [76]


def test_a_share_is_of_all_that_is_named_and_the_same_each_time():
    waves = (WaveRequest(share=share(10)), WaveRequest(share=share(25)), WaveRequest())
    assert sizes(*waves) == [10, 25, 65]
    assert sizes(WaveRequest(branches=["south"], share=share(50)), WaveRequest(branches=["south"])) == [13, 12]
    assert sizes(WaveRequest(share=share(0.1))) == [1]
    assert assign(waves, CANDIDATES, "a") == assign(waves, CANDIDATES, "a") != assign(waves, CANDIDATES, "b")


@pytest.mark.parametrize(
    ("waves", "where", "words"),
    [
        ([WaveRequest(), WaveRequest()], ("waves", 1), "has no machine"),
        ([WaveRequest(tags=["none"])], ("waves", 0), "has no machine"),
        ([WaveRequest(machines=[str(UUID(int=999))])], ("waves", 0, "machines", 0), "of the kind"),
        (
            [WaveRequest(branches=["south"]), WaveRequest(machines=[str(MACHINES[0]), str(MACHINES[3])])],
            ("waves", 1, "machines", 1),
            "in wave 1 already",
        ),
    ],
)
def test_a_wave_that_cannot_be_made_up_says_where(waves, where, words):
    with pytest.raises(BadWave, match=words) as refused:
        assign(waves, CANDIDATES, "seed")
    assert refused.value.where == where


def test_late_machines_are_those_that_a_whole_wave_would_take_now():
    known = set(MACHINES[:90])
    assert late([WaveRequest(branches=["south"])], CANDIDATES, known) == [MACHINES[91], MACHINES[95], MACHINES[99]]
    assert late([WaveRequest(share=share(50))], CANDIDATES, known) == []
    assert late([WaveRequest(machines=[str(MACHINES[0])])], CANDIDATES, known) == []
    assert late([WaveRequest(share=share(50)), WaveRequest()], CANDIDATES, known) == MACHINES[90:]
