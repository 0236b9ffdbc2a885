"""What a rollout may do next: the table of moves, and many thousands of steps of a clock through it."""

import random
from collections import Counter
from datetime import UTC, datetime, timedelta

import pytest

from catchpan.contract.rollouts import MachineStanding, Phase
from catchpan_service.rules.errors import NotLegal
from catchpan_service.rules.rollouts import (
    LIVE,
    MOVES,
    Event,
    Fate,
    Member,
    Said,
    Stand,
    Terms,
    due,
    move,
    needed,
    standing,
    waits_for,
)

START = datetime(2031, 4, 7, 6, tzinfo=UTC)
TERMS = Terms(waves=2, soak=timedelta(hours=4), deadline=timedelta(hours=24), success=0.5, failure_limit=2)


def at(hours):
    return START + timedelta(hours=hours)


def one_wave(**standings):
    wave = Counter({MachineStanding(name): count for name, count in standings.items()})
    return {1: wave, 2: Counter({MachineStanding.LATER: 3})}


@pytest.mark.parametrize("phase", list(Phase))
@pytest.mark.parametrize("event", list(Event))
def test_every_phase_meets_every_event_as_the_table_says(phase, event):
    stand = Stand(phase, 1, START)
    if (phase, event) in MOVES:
        assert move(stand, event, at(1)).phase == MOVES[phase, event]
        return
    with pytest.raises(NotLegal) as refused:
        move(stand, event, at(1))
    assert refused.value.state == phase.value
    for legal in refused.value.allowed:
        assert (phase, Event(legal)) in MOVES


def test_it_is_undone_from_wherever_machines_hold_it_and_twice_is_no_fault():
    for phase in LIVE:
        assert MOVES[phase, Event.UNDO] == Phase.UNDONE
    again = move(Stand(Phase.UNDONE, 1, START), Event.UNDO, at(9))
    assert again == Stand(Phase.UNDONE, 1, START)
    with pytest.raises(NotLegal, match="release a new revision with the earlier content"):
        move(Stand(Phase.RELEASED, 1, START), Event.UNDO, at(9))


def test_what_became_of_the_revision_goes_before_everything_in_the_rollout():
    failed = one_wave(refused=5)
    for phase in LIVE:
        stand = Stand(phase, 1, START)
        for fate, event in ((Fate.WITHDRAWN, Event.END), (Fate.OVERTAKEN, Event.END), (Fate.RELEASED, Event.RELEASE)):
            found = due(stand, TERMS, failed, fate, at(1))
            assert found is not None
            assert found[0] == event


@pytest.mark.parametrize(
    ("member", "said", "hours", "expected"),
    [
        (Member(2, None), Said(), 0, "later"),
        (Member(2, None), Said(runs=True, check="accepted", checked=START), 0, "later"),
        (Member(1, START), Said(), 0, "waiting"),
        (Member(1, START), Said(), 23.99, "waiting"),
        (Member(1, START), Said(), 24, "silent"),
        (Member(1, START), Said(runs=True), 99, "taken_up"),
        (Member(1, START), Said(runs=True, check="accepted", checked=at(1)), 99, "accepted"),
        (Member(1, START), Said(runs=False, check="accepted", checked=at(1)), 2, "waiting"),
        (Member(1, START), Said(runs=True, check="refused", checked=at(1)), 2, "refused"),
        (Member(1, at(2)), Said(runs=True, check="refused", checked=at(1)), 2, "taken_up"),
        (Member(1, at(2)), Said(), 25.99, "waiting"),
    ],
)
def test_how_a_machine_stands(member, said, hours, expected):
    assert standing(member, said, TERMS, at(hours)) == MachineStanding(expected)


@pytest.mark.parametrize(
    ("phase", "wave", "hours", "expected"),
    [
        (Phase.TAKING_UP, one_wave(waiting=1, accepted=9), 99, None),
        (Phase.TAKING_UP, one_wave(taken_up=4), 0, Event.ALL_HEARD),
        (Phase.TAKING_UP, one_wave(taken_up=3, silent=1), 0, Event.ALL_HEARD),
        (Phase.TAKING_UP, one_wave(waiting=9, silent=2), 0, Event.FAIL),
        (Phase.TAKING_UP, one_wave(waiting=9, silent=1, refused=1), 0, Event.FAIL),
        (Phase.TAKING_UP, one_wave(refused=1), 0, Event.FAIL),
        (Phase.SOAKING, one_wave(accepted=4), 3.99, None),
        (Phase.SOAKING, one_wave(accepted=4), 4, Event.NEXT_WAVE),
        (Phase.SOAKING, one_wave(accepted=2, taken_up=2), 4, Event.NEXT_WAVE),
        (Phase.SOAKING, one_wave(accepted=1, taken_up=3), 400, None),
        (Phase.SOAKING, one_wave(accepted=9, refused=2), 4, Event.FAIL),
        (Phase.HELD, one_wave(accepted=4), 400, None),
        (Phase.HELD, one_wave(refused=4), 400, None),
        (Phase.PASSED, one_wave(accepted=4, silent=1), 400, None),
        (Phase.PASSED, one_wave(accepted=4, silent=2), 400, Event.FAIL),
        (Phase.UNDONE, one_wave(refused=4), 400, None),
    ],
)
def test_which_move_is_due(phase, wave, hours, expected):
    found = due(Stand(phase, 1, START), TERMS, wave, Fate.IN_WAVES, at(hours))
    assert (None if found is None else found[0]) == expected
    assert waits_for(Stand(phase, 1, START), TERMS, wave)


@pytest.mark.parametrize(
    ("machines", "success", "expected"), [(5, 0.8, 4), (5, 0.81, 5), (10, 0.1, 1), (3, 0, 0), (3, 1, 3), (7, 0.001, 1)]
)
def test_how_many_check_catches_must_be_accepted(machines, success, expected):
    assert needed(machines, success) == expected


class Simulated:
    """A rollout on simulated machines under a clock: what the store does, with nothing but the rules."""

    def __init__(self, draw):
        self.draw, self.now = draw, START
        self.terms = Terms(
            waves=draw.randint(1, 4),
            soak=timedelta(hours=draw.choice([0, 1, 8])),
            deadline=timedelta(hours=draw.choice([2, 12])),
            success=draw.choice([0, 0.5, 1]),
            failure_limit=draw.randint(1, 3),
        )
        sizes = [draw.randint(1, 4) for _ in range(self.terms.waves)]
        self.members = {f"{wave}/{one}": Member(wave, None) for wave, n in enumerate(sizes, 1) for one in range(n)}
        self.said = dict.fromkeys(self.members, Said())
        self.holding = set()
        self.fate = Fate.IN_WAVES
        self.stand = Stand(Phase.TAKING_UP, 1, self.now)
        self.begin(1)

    def begin(self, wave):
        for name, member in self.members.items():
            if member.wave == wave:
                self.members[name] = Member(wave, self.now)
                self.holding.add(name)

    def standings(self):
        return {name: standing(member, self.said[name], self.terms, self.now) for name, member in self.members.items()}

    def tally(self):
        told = {wave: Counter() for wave in range(1, self.terms.waves + 1)}
        for name, found in self.standings().items():
            told[self.members[name].wave][found] += 1
        return told

    def happen(self, event):
        before = self.stand
        self.stand = move(before, event, self.now)
        if event == Event.NEXT_WAVE:
            self.begin(self.stand.wave)
        if event == Event.RESUME:
            counted = {name: one for name, one in self.members.items() if one.since is not None}
            self.members |= {name: Member(one.wave, self.now) for name, one in counted.items()}
        if self.stand.phase not in LIVE:
            self.holding.clear()
        return before

    def advance(self):
        found = due(self.stand, self.terms, self.tally(), self.fate, self.now)
        if found is None:
            return
        failed = sum(self.count(*("refused", "silent")).values())
        before = self.happen(found[0])
        if found[0] == Event.NEXT_WAVE:
            wave = self.tally()[before.wave]
            assert before.phase == Phase.SOAKING
            assert self.now >= before.since + self.terms.soak
            assert wave[MachineStanding.ACCEPTED] >= needed(wave.total(), self.terms.success)
            assert failed < self.terms.failure_limit
            assert self.stand.wave == before.wave + 1

    def count(self, *names):
        found = Counter(self.standings().values())
        return {name: found[MachineStanding(name)] for name in names}

    def somebody(self):
        """Something that happens outside: a report, a check catch, time, a late machine, a person, the office."""
        draw = self.draw
        what = draw.choices(["time", "report", "check", "person", "late", "office"], [6, 8, 6, 1.2, 0.5, 0.1])[0]
        name = draw.choice(list(self.members))
        if what == "time":
            self.now += timedelta(minutes=draw.choice([1, 30, 120, 600]))
        elif what == "report":
            self.said[name] = self.said[name]._replace(runs=name in self.holding and draw.random() < 0.95)
        elif what == "check" and self.said[name].runs:
            result = "accepted" if draw.random() < 0.93 else "refused"
            self.said[name] = self.said[name]._replace(check=result, checked=self.now)
        elif what == "person":
            self.ask(draw.choice([Event.HOLD, Event.RESUME, Event.RESUME, Event.UNDO]))
        elif what == "late" and self.stand.phase in LIVE - {Phase.HELD}:
            self.join(f"late {len(self.members)}")
        elif what == "office":
            self.fate = draw.choice([Fate.WITHDRAWN, Fate.OVERTAKEN, Fate.RELEASED])

    def join(self, name):
        begun = self.stand.wave == self.terms.waves
        self.members[name] = Member(self.terms.waves, self.now if begun else None)
        self.said[name] = Said()
        self.holding |= {name} if begun else set()

    def ask(self, event):
        if (self.stand.phase, event) in MOVES:
            self.happen(event)
        else:
            with pytest.raises(NotLegal):
                move(self.stand, event, self.now)

    def check(self, before):
        """What must hold after every step, whatever happened."""
        begun = {one.wave for one in self.members.values() if one.since is not None}
        assert begun == set(range(1, self.stand.wave + 1))
        assert self.stand.wave - before.wave in (0, 1)
        if before.phase in {Phase.HELD, *(set(Phase) - LIVE)} and self.stand.phase == before.phase:
            assert self.stand.wave == before.wave
        if self.stand.phase in LIVE:
            assert self.holding == {name for name, one in self.members.items() if one.since is not None}
        else:
            assert not self.holding
        for name, found in self.standings().items():
            member = self.members[name]
            over = member.since is not None and self.now >= member.since + self.terms.deadline
            heard = self.said[name].runs or self.said[name].check == "refused"
            if over and not heard:
                assert found == MachineStanding.SILENT


def steps(seed, most):
    """One rollout from its beginning to its end, or to so many steps; how many there were."""
    one = Simulated(random.Random(seed))
    for made in range(most):
        before = one.stand
        one.somebody()
        one.advance()
        one.check(before)
        if one.stand.phase in LIVE and one.fate != Fate.IN_WAVES:
            raise AssertionError("the revision is not in waves any more, but the rollout goes on")
        if one.stand.phase in {Phase.TAKING_UP, Phase.SOAKING}:
            assert sum(one.count("refused", "silent").values()) < one.terms.failure_limit
        if one.stand.phase not in LIVE:
            return made + 1, one
    return most, one


def test_many_thousand_steps_of_the_clock_break_no_promise():
    total, ends = 0, Counter()
    for seed in range(800):
        made, one = steps(seed, 200)
        total += made
        ends[one.stand.phase] += 1
        ends[f"wave {one.stand.wave}"] += 1
    assert total >= 10_000
    assert {Phase.UNDONE, Phase.ENDED, Phase.RELEASED, "wave 1", "wave 2", "wave 3"} <= {
        name for name in ends if ends[name]
    }


def test_a_revision_whose_check_catches_are_refused_reaches_the_first_wave_and_no_more():
    for seed in range(300):
        one = Simulated(random.Random(seed))
        one.terms = one.terms._replace(success=max(one.terms.success, 0.5))
        for _ in range(200):
            name = one.draw.choice(list(one.members))
            one.said[name] = Said(name in one.holding, "refused" if name in one.holding else None, one.now)
            one.now += timedelta(minutes=one.draw.choice([1, 240]))
            one.advance()
            assert {one.members[name].wave for name in one.holding} == {1}
        assert one.stand.phase == Phase.HELD


def test_a_rollout_on_good_machines_reaches_all_of_them():
    for seed in range(100):
        one = Simulated(random.Random(seed))
        for _ in range(200):
            for name in one.holding:
                one.said[name] = Said(runs=True, check="accepted", checked=one.now)
            one.now += timedelta(hours=1)
            one.advance()
        assert one.stand.phase == Phase.PASSED
        assert one.holding == set(one.members)
