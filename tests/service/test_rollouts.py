"""A revision taken up in waves, over HTTP: planned, begun, soaked, held, resumed, undone, released."""

import asyncio
from concurrent.futures import ThreadPoolExecutor
from uuid import UUID

import pytest

from catchpan_service import scheduler
from catchpan_service.store import feed
from tests.releases import draft, release, slug, walk, withdraw
from tests.scenario import MISSING, example, operations, season, serving

HOUR = {"value": 1, "unit": "h"}
ALL = {"value": 100, "unit": "%"}
EVER = "2999-01-01T00:00:00Z"


@pytest.fixture
def web(own_place, clock):
    with serving(own_place, clock=clock) as made:
        yield made


class Fleet:
    """Machines at two branches, with revision 1 released to all and revision 2 a draft."""

    def __init__(self, web, clock, north=2, south=3):
        self.web, self.clock = web, clock
        self.ours = season(web)
        self.south = web.made("POST", "/v1/branches", {"name": "South yard", "tags": ["ice"]})["id"]
        self.north = self.ours.branch
        self.machines = {}
        for branch, count in ((self.north, north - 1), (self.south, south)):
            for _ in range(count):
                self.add(branch)
        self.machines = {"first": self.ours.machine} | self.machines
        release(web, self.ours)
        self.number = draft(web, self.ours, "more at small openings")
        self.digests = {n: web.made("GET", f"{self.path}/revisions/{n}")["digest"] for n in (1, 2)}

    @property
    def path(self):
        return f"/v1/profiles/{self.ours.profile}"

    def add(self, branch, **told):
        name = f"m{len(self.machines)}"
        body = operations()["addMachine"].body(self.ours, f"{name} ") | {"branch": branch, **told}
        self.machines[name] = self.web.made("POST", "/v1/machines", body)["id"]
        return self.machines[name]

    def asked(self, *waves, **told):
        return {
            "profile": self.ours.profile,
            "number": self.number,
            "waves": list(waves) or [{"branches": [self.north]}, {}],
            "soak": HOUR,
            "success": ALL,
            "failure_limit": 1,
            "deadline": {"value": 6, "unit": "h"},
            "reason": "flow at small openings caught anew",
        } | told

    def begin(self, *waves, **told):
        self.rollout = self.web.made("POST", "/v1/rollouts", self.asked(*waves, **told))["rollout"]["id"]
        return self.show()

    def show(self):
        return self.web.made("GET", f"/v1/rollouts/{self.rollout}")

    def standings(self):
        page = self.web.made("GET", f"/v1/rollouts/{self.rollout}/machines")
        return {one["machine"]: one["standing"] for one in page["items"]}

    def wanted(self, machine):
        told = self.web.made("GET", f"/v1/machines/{machine}/history?at={EVER}")["settings"]
        return next(one["wanted"]["number"] for one in told if one["profile"] == self.ours.profile)

    def all_wanted(self):
        return [self.wanted(one) for one in self.machines.values()]

    def says(self, machine, number=2, **told):
        self.clock.advance(seconds=1)
        body = {"profile": self.ours.profile, "number": number, "digest": self.digests[number], "by": "A. Example"}
        body |= {"at": f"{self.clock.now:%Y-%m-%dT%H:%M:%SZ}", "confirmed": True} | told
        return self.web.made("POST", f"/v1/machines/{machine}/running", body)

    def take_up(self, branch=None, **told):
        """Every machine says that it runs what is wanted of it."""
        found = {one["id"]: one["branch"] for one in self.web.made("GET", "/v1/machines?limit=200")["items"]}
        for machine in self.machines.values():
            if branch in (None, found[machine]):
                self.says(machine, self.wanted(machine), **told)

    def advance(self, **by):
        self.clock.advance(**by)
        self.web.made("POST", "/v1/rollout-moves")
        return self.show()["phase"]

    def ask(self, what, status=200):
        answer = self.web.send("POST", f"/v1/rollouts/{self.rollout}/{what}", {"reason": "why not"}, If_Match="*")
        assert answer.status_code == status, answer.text
        return answer.json()


@pytest.fixture
def fleet(web, clock):
    return Fleet(web, clock)


def test_it_goes_from_wave_to_wave_and_is_then_released(fleet, web):
    begun = fleet.begin()
    assert (begun["phase"], begun["wave"], [one["machines"] for one in begun["waves"]]) == ("taking_up", 1, [2, 3])
    assert fleet.all_wanted() == [2, 2, 1, 1, 1]
    assert fleet.advance(minutes=5) == "taking_up"
    assert fleet.show()["version"] == 1
    fleet.take_up(fleet.north)
    assert fleet.advance() == "soaking"
    fleet.take_up(fleet.north, check="accepted")
    assert fleet.advance(minutes=55) == "soaking"
    assert fleet.all_wanted() == [2, 2, 1, 1, 1]
    assert fleet.advance(minutes=5) == "taking_up"
    assert (fleet.show()["wave"], fleet.all_wanted()) == (2, [2, 2, 2, 2, 2])
    fleet.take_up(fleet.south, check="accepted")
    assert [fleet.advance(), fleet.advance(hours=1)] == ["soaking", "passed"]
    assert set(fleet.standings().values()) == {"accepted"}
    state = web.made("GET", f"{fleet.path}/revisions/2")
    assert (state["state"], state["valid_until"]) == ("provisional", None)
    release(web, fleet.ours, 2)
    assert fleet.all_wanted() == [2] * 5
    assert [one["target"] for one in web.made("GET", "/v1/snapshot")["items"]] == ["organisation"]
    assert fleet.advance() == "released"
    assert slug(web.send("POST", f"/v1/rollouts/{fleet.rollout}/undo", {"reason": "late"}, If_Match="*")) == "conflict"


def test_a_bad_revision_reaches_the_first_wave_and_is_held_by_the_report_itself(fleet, web):
    fleet.begin()
    fleet.take_up(fleet.north)
    fleet.says(fleet.ours.machine, check="refused")
    held = fleet.show()
    assert (held["phase"], held["next_step"]) == ("held", "somebody who resumes or undoes it")
    assert held["why"] == "Check catches refused: 1, machines silent: 0; the limit is 1."
    assert [fleet.advance(days=30), fleet.all_wanted()] == ["held", [2, 2, 1, 1, 1]]
    undone = fleet.ask("undo")
    assert (undone["phase"], fleet.all_wanted()) == ("undone", [1] * 5)
    assert fleet.ask("undo")["phase"] == "undone"
    drift = web.made("GET", "/v1/drift")["items"]
    assert {one["why"] for one in drift if one["running"]} == {"It runs revision 2 instead of 1."}


def test_silent_machines_fail_at_the_deadline_and_count_anew_after_a_resume(fleet):
    fleet.begin(failure_limit=2)
    assert fleet.advance(hours=5, minutes=59) == "taking_up"
    assert fleet.advance(minutes=1) == "held"
    assert sorted(fleet.standings().values()) == ["later"] * 3 + ["silent"] * 2
    fleet.clock.advance(hours=9)
    assert fleet.ask("resume")["phase"] == "taking_up"
    assert fleet.advance(hours=5) == "taking_up"
    fleet.take_up(fleet.north, check="accepted")
    assert [fleet.advance(), fleet.advance(hours=1)] == ["soaking", "taking_up"]


def test_it_is_held_by_hand_from_anywhere_and_undone_from_anywhere(fleet):
    fleet.begin()
    assert fleet.ask("resume", 409)["errors"][0]["allowed"] == "hold, undo"
    assert fleet.ask("hold")["why"] == "Held by owner: why not"
    fleet.take_up(fleet.north, check="accepted")
    assert fleet.advance(days=1) == "held"
    fleet.ask("resume")
    assert fleet.advance() == "soaking"
    assert fleet.ask("hold")["phase"] == "held"
    assert fleet.ask("undo")["phase"] == "undone"
    assert fleet.all_wanted() == [1] * 5
    fleet.ask("hold", 409)


def test_what_is_unsafe_ends_it_at_once_whatever_wave_it_is_in(fleet, web):
    fleet.begin()
    fleet.take_up(fleet.north, check="accepted")
    assert [fleet.advance(), fleet.advance(hours=1)] == ["soaking", "taking_up"]
    assert fleet.all_wanted() == [2] * 5
    withdraw(web, fleet.ours, 2)
    assert fleet.all_wanted() == [1] * 5
    assert fleet.advance() == "ended"
    assert "withdrawn" in fleet.show()["why"]
    unsafe = [one for one in web.made("GET", "/v1/drift")["items"] if one["standing"] == "unsafe"]
    assert len(unsafe) == 2


def test_another_release_ends_it_and_the_next_rollout_can_begin(fleet, web):
    fleet.begin()
    draft(web, fleet.ours, "another")
    release(web, fleet.ours, 3)
    assert fleet.all_wanted() == [3] * 5
    first, fleet.number = fleet.rollout, draft(web, fleet.ours, "one more")
    fleet.begin()
    assert web.made("GET", f"/v1/rollouts/{first}")["phase"] == "ended"
    assert fleet.all_wanted() == [4, 4, 3, 3, 3]


def test_late_machines_join_the_last_wave(fleet, web):
    fleet.begin({"branches": [fleet.north]}, {"tags": ["ice"]})
    assert [one["machines"] for one in fleet.show()["waves"]] == [2, 3]
    fleet.add(web.branch, tags=["ice"])
    fleet.add(web.branch)
    fleet.advance()
    assert [one["machines"] for one in fleet.show()["waves"]] == [2, 4]
    fleet.take_up(fleet.north, check="accepted")
    assert [fleet.advance(), fleet.advance(hours=1)] == ["soaking", "taking_up"]
    late = fleet.add(fleet.south)
    assert fleet.wanted(late) == 1
    fleet.advance()
    assert (fleet.wanted(late), fleet.standings()[late]) == (2, "waiting")
    fleet.ask("hold")
    kept = fleet.wanted(fleet.add(fleet.south))
    assert fleet.advance() == "held"
    assert kept == 1
    assert sum(one["machines"] for one in fleet.show()["waves"]) == 7


def test_a_dry_run_tells_each_machine_its_wave_and_what_changes_on_the_ground(fleet, web):
    content = example("addRevision")["content"]
    passes = [one | {"width": {"value": 12, "unit": "ft"}} for one in content["passes"]]
    web.made("PUT", f"{fleet.path}/revisions/2", {"content": content | {"passes": passes}}, If_Match="*")
    fleet.says(fleet.ours.machine, 1)
    stored = web.dump()
    plan = web.made("POST", "/v1/rollouts?dry_run=true", fleet.asked())
    assert web.dump() == stored
    assert [(one["wave"], one["runs"], one["wanted"]) for one in plan["machines"]].count((2, None, 1)) == 3
    assert [(one["wave"], one["runs"]) for one in plan["machines"] if one["machine"] == fleet.ours.machine] == [(1, 1)]
    (difference,) = plan["differences"]
    assert (difference["before"], difference["machines"]) == (1, 5)
    compared = web.made("GET", f"{fleet.path}/difference?before=1&after=2")
    assert difference["changes"] == compared["changes"] != []
    assert plan["rollout"]["waves"] == fleet.begin()["waves"]


def test_what_cannot_be_rolled_out_is_refused_by_its_place_and_nothing_is_stored(fleet, web):
    other = season(web, name="another kind ")
    named = {"machines": [fleet.ours.machine]}
    stored = web.dump()
    for altered, status, pointer in (
        ({"waves": [named, named]}, 422, "/waves/1/machines/0"),
        ({"waves": [{"machines": [other.machine]}]}, 422, "/waves/0/machines/0"),
        ({"waves": [{"machines": [MISSING]}]}, 422, "/waves/0/machines/0"),
        ({"waves": [{}, {"branches": [fleet.north]}]}, 422, "/waves/1"),
        ({"waves": [{"tags": ["nobody has it"]}]}, 422, "/waves/0"),
        ({"waves": [{"branches": [MISSING]}]}, 422, "/waves/0/branches/0"),
        ({"waves": []}, 400, "/waves"),
        ({"waves": [named | {"share": ALL}]}, 422, "/waves/0/share"),
        ({"success": {"value": 101, "unit": "%"}}, 422, "/success"),
        ({"soak": {"value": -1, "unit": "h"}}, 422, "/soak"),
        ({"deadline": {"value": 0, "unit": "h"}}, 422, "/deadline"),
        ({"number": 9}, 422, "/number"),
        ({"profile": MISSING}, 422, "/profile"),
        ({"number": 1}, 409, ""),
    ):
        answer = web.send("POST", "/v1/rollouts", fleet.asked() | altered)
        assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (status, pointer), answer.text
    assert web.dump() == stored
    withdraw(web, fleet.ours, 2)
    withdrawn = web.send("POST", "/v1/rollouts", fleet.asked())
    assert (withdrawn.status_code, slug(withdrawn)) == (409, "conflict")
    assert "withdrawn" in withdrawn.json()["detail"]


def test_two_rollouts_of_one_profile_cannot_overlap(fleet, web):
    begun = fleet.begin()
    draft(web, fleet.ours, "another")
    second = web.send("POST", "/v1/rollouts", fleet.asked(number=3))
    assert (second.status_code, second.json()["errors"][0]["pointer"]) == (409, "/profile")
    assert begun["id"] in second.json()["errors"][0]["allowed"]
    fleet.ask("undo")
    assert web.send("POST", "/v1/rollouts", fleet.asked()).status_code == 201


def test_branches_hear_of_their_machines_and_of_no_others(fleet, web):
    _, before = walk(web, key="branch")
    fleet.begin()
    fleet.ask("undo")
    assert walk(web, before["next"], key="branch")[0] == []
    heard = walk(web, branch=fleet.north)[0]
    kinds = [one["event"] for one in heard if one["kind"] == "holding" and fleet.ours.profile in one["id"]]
    assert kinds == ["began", "began", "began", "ended", "ended"]


def test_two_services_that_advance_at_once_do_no_more_than_one(own_place, clock):
    if own_place.outside.dialect.name == "sqlite":
        with serving(own_place, clock=clock) as web:
            raced(Fleet(web, clock), [web, web])
        return
    with serving(own_place, clock=clock) as web, serving(own_place, clock=clock, found=False) as other:
        raced(Fleet(web, clock), [web, other])


def raced(fleet, webs):
    """Each round two services advance in threads of their own; what comes of it is as if one had."""
    fleet.begin()
    fleet.take_up(fleet.north, check="accepted")

    def run(web):
        for _ in range(10):
            asyncio.run(scheduler.advance_all(web.app.state.database))

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(run, webs))
    assert (fleet.show()["phase"], fleet.show()["version"]) == ("soaking", 2)
    fleet.clock.advance(hours=1)
    with ThreadPoolExecutor(2) as pool:
        list(pool.map(run, webs))
    after = fleet.show()
    assert (after["phase"], after["wave"], after["version"]) == ("taking_up", 2, 3)
    began = [one for one in walk(fleet.web)[0] if one["kind"] == "holding" and one["event"] == "began"]
    assert len([one for one in began if fleet.ours.profile in one["id"] and "machine/" in one["id"]]) == 5


def test_a_scheduler_goes_on_while_the_service_runs_and_stops_with_it(own_place, clock):
    with serving(own_place, clock=clock) as web:
        fleet = Fleet(web, clock)
        fleet.begin()
        fleet.take_up(fleet.north)
        database, organisation = web.app.state.database, UUID(web.made("GET", "/v1/organisation")["id"])
        position = database.read_now(feed.state, organisation).position

        async def run():
            async with scheduler.advancing(database, 0.01)(web.app):
                await database.wait_beyond(organisation, position, 10)
            return asyncio.all_tasks() - {asyncio.current_task()}

        assert asyncio.run(run()) == set()
        assert fleet.show()["phase"] == "soaking"


class Polling:
    """Machines that poll what is wanted of them, and take it up and say so when it is another revision."""

    def __init__(self, fleet, count):
        self.fleet = fleet
        self.machines = [fleet.add((fleet.north, fleet.south)[one % 2]) for one in range(count)]
        self.runs = {}

    def poll(self):
        for machine in self.machines:
            number = self.fleet.wanted(machine)
            if self.runs.get(machine) != number:
                self.fleet.says(machine, number)
                self.runs[machine] = number


@pytest.mark.parametrize("count", [12, pytest.param(1000, marks=pytest.mark.long)])
def test_every_machine_is_back_within_two_polls_of_an_undo(tmp_path, clock, count):
    with serving(tmp_path, clock=clock) as web:
        fleet = Fleet(web, clock)
        polling = Polling(fleet, count)
        fleet.begin({}, success={"value": 0, "unit": "%"})
        polling.poll()
        assert set(polling.runs.values()) == {2}
        fleet.ask("undo")
        polling.poll()
        polling.poll()
        assert set(polling.runs.values()) == {1}
        drift = [one for one in web.made("GET", "/v1/drift?limit=200")["items"] if one["machine"] in polling.machines]
        assert drift == []


def test_a_check_on_record_counts_as_one_that_came_with_a_report(fleet, web):
    fleet.begin()
    fleet.take_up(fleet.north)
    body = operations()["addMachineCheck"].body(fleet.ours) | {"number": 2, "at": "2031-04-07T06:30:00Z"}
    good, bad = (
        body["caught"]["catches"],
        [one | {"mass": {"value": 9, "unit": "lb"}} for one in body["caught"]["catches"]],
    )
    path = f"/v1/machines/{fleet.ours.machine}/checks"
    assert web.made("POST", path, body | {"caught": {"catches": good * 3}})["caught"]["decision"] == "accept"
    assert fleet.standings()[fleet.ours.machine] == "accepted"
    refused = web.made("POST", path, body | {"caught": {"catches": bad * 3}})
    assert refused["caught"]["decision"] == "calibrate_again"
    assert fleet.standings()[fleet.ours.machine] == "refused"
    assert fleet.show()["phase"] == "held"
