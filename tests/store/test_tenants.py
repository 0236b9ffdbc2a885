"""No store function shows, changes or even betrays a row of another organisation."""

import inspect
from datetime import UTC, datetime, timedelta
from uuid import UUID

import pytest

from catchpan.contract.branches import BranchRequest, Machine, MachineRequest
from catchpan.contract.bulk import BulkItem
from catchpan.contract.machine_kinds import MachineKindRequest
from catchpan.contract.materials import MaterialRequest
from catchpan.contract.profiles import ProfileRequest, ProvisionalReleaseRequest, Withdrawal
from catchpan.contract.running import RunningReport
from catchpan.contract.sync import ReplicaReport
from catchpan.contract.webhooks import WebhookRotation
from catchpan_service.rules.rollouts import Event
from catchpan_service.store import (
    audit,
    branches,
    bulk,
    commissionings,
    contents,
    corrections,
    deliveries,
    drift,
    dues,
    factors,
    feed,
    holdings,
    keys,
    machine_checks,
    machine_kinds,
    machines,
    materials,
    profiles,
    replicas,
    reports,
    revisions,
    rollout_machines,
    rollout_plans,
    rollouts,
    running,
    signers,
    totals,
    wanted,
    webhooks,
)
from catchpan_service.store.errors import NotFound, Refused
from catchpan_service.store.writes import Stamp
from tests.store.office import (
    branch,
    check,
    commissioning,
    correction,
    do,
    draft,
    judged,
    machine,
    machine_kind,
    material,
    profile,
    rollout,
    webhook,
)

MODULES = (
    audit, branches, bulk, commissionings, contents, corrections, deliveries, drift, dues, factors, feed, holdings, keys, machine_checks, machine_kinds, machines, materials, profiles,
    replicas, reports, revisions, rollout_machines, rollout_plans, rollouts, running, signers, totals, wanted, webhooks,
)  # fmt: skip
# Called within the writes of other functions only, with what these have found in the organisation.
INNER = {"audit.append", "contents.keep", "profiles.point", "feed.start", "feed.head", "feed.advance", "signers.start"}
INNER |= {"holdings.begin_all", "holdings.end_of_machines", "revisions.roll_out", "rollout_plans.plan"}
INNER |= {f"rollout_machines.{name}" for name in ("join", "begin_wave", "count_anew")}
INNER |= {"rollouts.look_again"}
INNER |= {"deliveries.queue", "deliveries.note", "deliveries.give_up_all"}
INNER |= {"signers.current", "signers.cursor_secret"}
INNER |= {"contents.keep_all", "commissionings.bodies"}
INNER |= {f"factors.{name}" for name in ("begin", "end", "end_revision", "move_machine")}
INNER |= {f"holdings.{name}" for name in ("begin", "end_revision", "end_narrower", "condemn", "move_machine")}
GIVEN = draft("theirs")
GONE_BY = datetime(2027, 3, 2, tzinfo=UTC)
RUNS = RunningReport(
    profile=str(UUID(int=0)), number=1, digest=GIVEN.digest, at=datetime(2026, 3, 2, tzinfo=UTC), by="x", confirmed=True
)
NOBODY = Machine(
    name="x", branch=str(UUID(int=0)), machine_kind=str(UUID(int=0)), id=str(UUID(int=0)), version=1, created=GONE_BY,
    changed=GONE_BY,
)  # fmt: skip


class Theirs:
    """Things of the other organisation, to be asked for by the first."""

    def __init__(self, database, other):
        self.key = other.key
        self.material = material(database, other)
        self.machine_kind = machine_kind(database, other)
        self.profile = profile(database, other)
        self.branch = branch(database, other)
        self.machine = machine(database, other)
        do(database, other, commissionings.add, self.machine, commissioning())
        do(database, other, revisions.add, self.profile, GIVEN)
        self.used = profile(database, other)
        do(database, other, revisions.add, self.used, GIVEN)
        do(database, other, revisions.release, self.used, 1, None, "checked")
        self.correction = UUID(do(database, other, corrections.add, correction(self.used)).id)
        trial = profile(database, other)
        do(database, other, revisions.add, trial, draft("trial"))
        machine(database, other, kind=database.read_now(profiles.get, other.organisation, trial).machine_kind)
        self.webhook = UUID(do(database, other, webhooks.add, webhook()).id)
        do(database, other, deliveries.add_trial, self.webhook)
        self.rollout = UUID(do(database, other, rollouts.add, rollout(trial)).rollout.id)

    def calls(self):
        """A call of every function that takes the id of something: what it is called with."""
        request = ProfileRequest(material=str(self.material), machine_kind=str(self.machine_kind), name="x")
        said = ReplicaReport(epoch=1, position=1, manifest="sha256:" + "0" * 64, exceptions="sha256:" + "0" * 64)
        theirs = MachineRequest(name="mine now", branch=str(self.branch), machine_kind=str(self.machine_kind))
        provisionally = ProvisionalReleaseRequest(branch=str(self.branch), days=3, reason="x")
        return {
            "bulk.put": ([BulkItem(id=str(self.branch), branch=BranchRequest(name="mine now"))], {}, True),
            "branches.get": (self.branch,),
            "branches.named": ("Theirs alone",),
            "branches.replace": (self.branch, BranchRequest(name="mine now"), None),
            "machines.get": (self.machine,),
            "machines.at": (self.machine, 10**9),
            "running.report": (self.machine, RUNS),
            "running.page": (self.machine,),
            "drift.at": (self.machine, GONE_BY),
            "commissionings.add": (self.machine, commissioning()),
            "commissionings.get": (self.machine, 1),
            "commissionings.page": (self.machine,),
            "corrections.add": (correction(self.used),),
            "corrections.end": (self.correction,),
            "wanted.basis": (self.machine, self.profile, None, GONE_BY),
            "rollouts.add": (rollout(self.profile),),
            "rollouts.get": (self.rollout, GONE_BY),
            "rollouts.machines": (self.rollout, GONE_BY),
            "reports.hear": (self.machine, RUNS),
            "reports.check": (self.machine, check(self.used), judged),
            "machine_checks.add": (self.machine, check(self.used), judged),
            "machine_checks.get": (self.machine, 1),
            "machine_checks.strike": (self.machine, 1, "x"),
            "machine_checks.page": (self.machine,),
            "machine_checks.charted": (self.machine,),
            "machine_checks.of_kind": (self.machine_kind,),
            "rollouts.move": (self.rollout, Event.UNDO, "x", None),
            "revisions.entry": (self.profile, 1),
            "machines.add": (theirs,),
            "machines.replace": (self.machine, theirs, None),
            "keys.rotate": (self.key, "1" * 64, timedelta(hours=1)),
            "replicas.report": (self.branch, said),
            "revisions.release_provisionally": (self.profile, 1, None, provisionally),
            "contents.get": (GIVEN.digest,),
            "keys.revoke": (self.key,),
            "webhooks.get": (self.webhook,),
            "webhooks.rotate": (self.webhook, WebhookRotation(secret=f"whsec_{'B' * 32}")),
            "webhooks.resume": (self.webhook,),
            "webhooks.end": (self.webhook,),
            "deliveries.add_trial": (self.webhook,),
            "deliveries.page": (self.webhook,),
            "machine_kinds.get": (self.machine_kind,),
            "machine_kinds.replace": (self.machine_kind, MachineKindRequest(name="mine now"), None),
            "materials.get": (self.material,),
            "materials.replace": (self.material, MaterialRequest(name="mine now"), None),
            "profiles.add": (request,),
            "profiles.get": (self.profile,),
            "revisions.add": (self.profile, draft("mine")),
            "revisions.get": (self.profile, 1),
            "revisions.page": (self.profile,),
            "revisions.release": (self.profile, 1, None, "x"),
            "revisions.replace_draft": (self.profile, 1, draft("mine"), None),
            "revisions.summary": (self.profile, 1),
            "revisions.withdraw": (self.profile, 1, None, "x", Withdrawal.UNSAFE),
        }


# Functions that take no id: what they answer must be of the organisation alone.
WITHOUT_ID = {
    "audit.verify": (),
    "audit.moment": (1,),
    "audit.position_at": (GONE_BY,),
    "branches.page": (),
    "branches.add": (BranchRequest(name="shared name"),),
    "machines.page": (),
    "feed.page": (None, None, 10),
    "feed.state": (),
    "feed.raise_epoch": (),
    "feed.put_away": (0,),
    "holdings.present": (10**9,),
    "holdings.brought_forward": ({}, 0, 10**9),
    "holdings.found_unsafe": (None, 10**9),
    "holdings.page": (None, 10**9, holdings.After(UUID(int=0), "", UUID(int=0)), 10),
    "holdings.is_for": (UUID(int=0), UUID(int=0)),
    "holdings.next_move": (0,),
    "holdings.of_machine": (UUID(int=0), UUID(int=0), 10**9),
    "rollouts.page": (),
    "rollouts.is_live": (),
    "rollouts.advance": (),
    "rollout_machines.candidates": (str(UUID(int=0)),),
    "rollout_machines.members": (UUID(int=0),),
    "rollout_machines.page": (UUID(int=0), None, 10),
    "holdings.of_profile": (UUID(int=0),),
    "running.heard": (UUID(int=0), 1),
    "machine_checks.outcomes": (UUID(int=0), 1),
    "totals.page": ("month", GONE_BY, GONE_BY, None, 10),
    "wanted.of_machine": (NOBODY,),
    "commissionings.latest": (UUID(int=0), GONE_BY),
    "corrections.page": (),
    "dues.page": (GONE_BY, None, 10),
    "dues.all_of_them": (GONE_BY,),
    "drift.page": (GONE_BY, True, None, 10),
    "running.at": ([UUID(int=0)], GONE_BY),
    "factors.at": (None, 10**9),
    "factors.of_machine": (NOBODY, str(UUID(int=0)), 1, GONE_BY),
    "factors.on_revision": (UUID(int=0), 1),
    "replicas.all_of_them": (),
    "signers.all_of_them": (),
    "signers.rotate": (b"s" * 32,),
    "keys.all_of_them": (),
    "machine_kinds.page": (),
    "materials.page": (),
    "profiles.page": (),
    "keys.add": ("0" * 64, "mine", "reader"),
    "keys.note_use": (),
    "webhooks.add": (webhook(),),
    "webhooks.page": (),
    "webhooks.hear": ([],),
    "deliveries.is_due": (GONE_BY,),
    "deliveries.take": (10,),
    "machine_kinds.add": (MachineKindRequest(name="shared name"),),
    "materials.add": (MaterialRequest(name="shared name"),),
}


def functions():
    """Every public store function that acts in an organisation."""
    return {
        f"{module.__name__.rsplit('.', 1)[-1]}.{name}": function
        for module in MODULES
        for name, function in vars(module).items()
        if inspect.isfunction(function)
        and function.__module__ == module.__name__
        and not name.startswith("_")
        and "organisation" in inspect.signature(function).parameters
    }


def writes(function):
    return any(parameter.annotation is Stamp for parameter in inspect.signature(function).parameters.values())


def call(database, access, function, *args):
    if writes(function):
        return do(database, access, function, *args)
    return database.read_now(function, access.organisation, *args)


@pytest.fixture
def theirs(database, other):
    return Theirs(database, other)


def test_every_function_is_tried(theirs):
    assert set(theirs.calls()) | set(WITHOUT_ID) | INNER == set(functions())


def test_the_organisation_follows_the_connection_everywhere():
    for function in functions().values():
        assert [*inspect.signature(function).parameters][:2] == ["connection", "organisation"]


def test_what_is_theirs_is_refused_and_unchanged(database, place, office, theirs):
    before = place.dump()
    for name, args in theirs.calls().items():
        with pytest.raises((NotFound, Refused)):
            call(database, office, functions()[name], *args)
        assert place.dump() == before, name


def test_their_owner_is_not_refused(database, other, theirs):
    own = functions()
    for name in (
        "contents.get",
        "machine_kinds.get",
        "materials.get",
        "profiles.get",
        "revisions.get",
        "revisions.page",
    ):
        assert call(database, other, own[name], *theirs.calls()[name])
    assert call(database, other, own["keys.revoke"], theirs.key).revoked


def test_what_is_not_theirs_is_refused_in_the_same_words_as_what_is_not_there(database, office, theirs):
    nobody = UUID("01900000-0000-7000-8000-0000000000ff")
    for name in ("machine_kinds.get", "materials.get", "profiles.get", "keys.revoke"):
        (subject,) = theirs.calls()[name]
        with pytest.raises(NotFound) as not_yours:
            call(database, office, functions()[name], subject)
        with pytest.raises(NotFound) as not_there:
            call(database, office, functions()[name], nobody)
        assert str(not_yours.value).replace(str(subject), "") == str(not_there.value).replace(str(nobody), "")


@pytest.mark.parametrize("name", ["materials.page", "machine_kinds.page", "profiles.page"])
def test_a_page_holds_nothing_of_theirs(database, office, theirs, name):
    assert call(database, office, functions()[name]).items == []


def test_a_list_of_keys_holds_nothing_of_theirs(database, office, theirs):
    assert [kept.id for kept in call(database, office, keys.all_of_them)] == [office.key]


def test_no_message_of_theirs_is_due_or_taken_for_us(database, office, other, theirs):
    assert not database.read_now(deliveries.is_due, office.organisation, GONE_BY)
    assert do(database, office, deliveries.take, 10) == []
    taken = do(database, other, deliveries.take, 10)[0]
    do(database, office, webhooks.hear, [deliveries.Outcome(taken, 200, "delivered", arrived=True)])
    kept = database.read_now(deliveries.page, other.organisation, theirs.webhook).items
    assert not any(one.delivered for one in kept)


def test_a_cursor_of_theirs_is_refused(database, office, other, theirs):
    from catchpan_service.store.errors import BadCursor

    cursor = database.read_now(materials.page, other.organisation, None, 1).next
    with pytest.raises(BadCursor):
        database.read_now(materials.page, office.organisation, cursor, 1)


def test_a_name_of_theirs_is_free(database, office, other):
    for access in (office, other):
        do(database, access, materials.add, MaterialRequest(name="shared name"))
        do(database, access, machine_kinds.add, MachineKindRequest(name="shared name"))


def test_equal_content_is_theirs_and_ours_apart(database, office, theirs):
    do(database, office, revisions.add, profile(database, office), GIVEN)
    assert database.read_now(contents.get, office.organisation, GIVEN.digest) == GIVEN.content


def test_noting_a_use_touches_only_the_key_that_was_used(database, office, other):
    do(database, office, keys.note_use)
    assert database.read_now(keys.all_of_them, other.organisation)[0].last_used is None
    assert database.read_now(keys.all_of_them, office.organisation)[0].last_used is not None
