"""An invented company, and short ways to act in it. All names are invented."""

import itertools
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import UUID

import msgspec
from uuid_utils.compat import uuid7

from catchpan.contract.branches import BranchRequest, MachineRequest
from catchpan.contract.checks import Decision
from catchpan.contract.commissionings import CommissioningRequest, GateFound
from catchpan.contract.corrections import CorrectionRequest
from catchpan.contract.findings import Finding, FindingCode, Severity
from catchpan.contract.machine_checks import MachineCheckRequest, UsedMaterial
from catchpan.contract.machine_kinds import MachineKindRequest
from catchpan.contract.materials import MaterialRequest
from catchpan.contract.organisations import Role
from catchpan.contract.profiles import Content, ProfileRequest
from catchpan.contract.rollouts import RolloutRequest, WaveRequest
from catchpan.contract.webhooks import WebhookRequest
from catchpan.digest import canonical, digest
from catchpan.quantities import Area, Mass, Ratio, Time
from catchpan_service import admin
from catchpan_service.rules.checks import Judged
from catchpan_service.store import branches, keys, machine_kinds, machines, materials, profiles
from catchpan_service.store.database import Access, Database, Order, Reply
from catchpan_service.store.revisions import Draft
from catchpan_service.store.scopes import Scope

STOP = Finding(code=FindingCode.ABOVE_LABEL, severity=Severity.STOP, where="", what="seen", advice="do")
# In the order of their code points, which is not that of any language's dictionary.
NAMES = ["A lot", "B lot", "Z", "_", "a lot", "b lot", "z", "Ä lot", "ä lot", "Ω", "ﬁne", "😀"]
_names = itertools.count(1)


class Clock:
    """A clock that a test moves; each look at it takes a millisecond."""

    def __init__(self) -> None:
        self.now = datetime(2026, 3, 2, 7, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        self.now += timedelta(milliseconds=1)
        return self.now

    def wait(self, **time: int) -> None:
        self.now += timedelta(**time)


def open_database(location: str | Path, clock: Callable[[], datetime] | None = None, **options: Any) -> Database:
    return Database.open(location, clock=clock or Clock(), new_id=uuid7, **options)


def found(database: Database, name: str) -> Access:
    """A new company, and what its owner's key may do."""
    admin.add_organisation(database, name, units="us", new_id=uuid7)
    return key(database, name, Role.OWNER)


def key(database: Database, name: str, role: Role) -> Access:
    at = branch(database, admin.administrator(database, name)) if role == Role.BRANCH else None
    secret = admin.create_key(database, name, f"{role.value} key", role=role, branch=at).secret
    access = by_secret(database, secret, datetime(2026, 3, 2, tzinfo=UTC))
    assert access is not None
    return access


def by_secret(database: Database, secret: str, now: datetime) -> Access | None:
    """What a key may do, as a request that presents it would find out."""
    presented = keys.hash_of(secret)
    return database.read_now_as(Scope(presented=presented), keys.find, presented, now)


def do(database: Database, access: Access, function: Any, *args: Any) -> Any:
    """The answer of a write function, after its commit."""
    return database.write_now(function, Order(access, "test"), *args)


def reply(answer: object) -> Reply:
    return Reply(201, msgspec.json.encode(answer))


def branch(database: Database, access: Access) -> UUID:
    return UUID(do(database, access, branches.add, BranchRequest(name=f"Branch {next(_names)}")).id)


def material(database: Database, access: Access) -> UUID:
    return UUID(do(database, access, materials.add, MaterialRequest(name=f"Material {next(_names)}")).id)


def machine_kind(database: Database, access: Access) -> UUID:
    return UUID(do(database, access, machine_kinds.add, MachineKindRequest(name=f"Kind {next(_names)}")).id)


def machine(database: Database, access: Access, name: str | None = None, kind: str | None = None) -> UUID:
    at, kind = str(branch(database, access)), kind or str(machine_kind(database, access))
    asked = MachineRequest(name=name or f"Machine {next(_names)}", branch=at, machine_kind=kind)
    return UUID(do(database, access, machines.add, asked).id)


def commissioning(done: datetime = datetime(2026, 3, 2, tzinfo=UTC), **told: Any) -> CommissioningRequest:
    return CommissioningRequest(done=done, by="R. Example", gates=[GateFound(closed=212, open=905)], **told)


def check(profile: UUID, number: int = 1, **told: Any) -> MachineCheckRequest:
    used = UsedMaterial(used=Mass(100, "lb"), area=Area(1, "ac"))
    at = datetime(2026, 3, 2, tzinfo=UTC)
    return MachineCheckRequest(
        profile=str(profile), number=number, **{"at": at, "by": "R. Example", "used": used} | told
    )


def judged(record: MachineCheckRequest, content: bytes, correction: float) -> Judged:
    """What a test's checks come to."""
    assert record.used is not None
    assert content
    return Judged(decision=Decision.ACCEPT, ratio=correction, uncertainty=0.02, factor=1.0, used=record.used.used.si)


def correction(profile: UUID, number: int = 1, **told: Any) -> CorrectionRequest:
    given: dict[str, Any] = {"lot": "L2041", "factor": 0.97, "until": datetime(2026, 6, 30, tzinfo=UTC)} | told
    sure = Ratio(0.8, "%")
    return CorrectionRequest(
        profile=str(profile), number=number, standard_uncertainty=sure, by="R. Example", reason="checked", **given
    )


def webhook(**told: Any) -> WebhookRequest:
    return WebhookRequest(url="https://hooks.example.com/", secret=f"whsec_{'A' * 32}", **told)


def rollout(profile: UUID, number: int = 1, **told: Any) -> RolloutRequest:
    hour = Time(value=1, unit="h")
    said = {"soak": hour, "deadline": hour, "success": Ratio(value=1, unit="1"), "failure_limit": 1, "reason": "x"}
    return RolloutRequest(profile=str(profile), number=number, waves=[WaveRequest()], **said | told)


def profile_request(database: Database, access: Access) -> ProfileRequest:
    return ProfileRequest(
        material=str(material(database, access)), machine_kind=str(machine_kind(database, access)), name="Spring"
    )


def profile(database: Database, access: Access) -> UUID:
    return UUID(do(database, access, profiles.add, profile_request(database, access)).id)


def draft(note: str = "", *, findings: tuple[Finding, ...] = (), parent: int | None = None) -> Draft:
    content = canonical(Content(format=1, note=note))
    return Draft(content, digest(content), findings, parent, "")


def all_names(database: Database, access: Access) -> list[str]:
    """The names of all materials, over all pages."""
    cursor, seen = None, []
    while True:
        page = database.read_now(materials.page, access.organisation, cursor, 200)
        seen += [item.name for item in page.items]
        cursor = page.next
        if cursor is None:
            return seen
