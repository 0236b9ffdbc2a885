"""Every operation as a value: what is sent, and how the answer is read. No I/O.

One short function for each operation of the service, and so as long as that has operations.
"""

from datetime import UTC, datetime
from typing import Any, Generic, TypeVar
from urllib.parse import quote

import msgspec

from catchpan.contract.branches import Branch, BranchPage, BranchRequest, Machine, MachinePage, MachineRequest
from catchpan.contract.bulk import BulkAnswer, BulkAnswers, BulkItem, BulkRequest
from catchpan.contract.commissionings import (
    Commissioning,
    CommissioningPage,
    CommissioningRequest,
    MachineSettings,
)
from catchpan.contract.corrections import CorrectionPage, CorrectionRequest, KeptCorrection
from catchpan.contract.dues import DuePage
from catchpan.contract.machine_checks import (
    KindSpread,
    MachineCharts,
    MachineCheck,
    MachineCheckPage,
    MachineCheckRequest,
    StrikeRequest,
)
from catchpan.contract.machine_kinds import MachineKind, MachineKindPage, MachineKindRequest
from catchpan.contract.materials import Material, MaterialPage, MaterialRequest
from catchpan.contract.organisations import Health, Key, KeyRequest, KeyRotation, Keys, Organisation
from catchpan.contract.problems import Problem
from catchpan.contract.profiles import (
    Difference,
    Profile,
    ProfilePage,
    ProfileRequest,
    ProvisionalReleaseRequest,
    ReleaseRequest,
    Revision,
    RevisionPage,
    RevisionRequest,
    RevisionSummary,
    WithdrawRequest,
)
from catchpan.contract.rollouts import (
    Rollout,
    RolloutMachinePage,
    RolloutMoveRequest,
    RolloutPage,
    RolloutPlan,
    RolloutRequest,
    Rollouts,
)
from catchpan.contract.running import DriftPage, MachineHistory, Running, RunningPage, RunningReport
from catchpan.contract.sync import (
    FeedPage,
    ManifestAnswer,
    ReplicaReport,
    SignedHead,
    SigningKeys,
    SnapshotPage,
    SyncStatus,
)
from catchpan.contract.totals import TotalPage
from catchpan.contract.webhooks import Delivery, DeliveryPage, Webhook, WebhookPage, WebhookRequest, WebhookRotation
from catchpan.errors import AnswerError, problem_error

T = TypeVar("T")


class Call(msgspec.Struct, Generic[T], frozen=True):
    """One operation.

    ``keyed`` marks a write that gets an idempotency key, so that repeating it is safe; ``version`` becomes
    ``If-Match``; ``told`` marks an answer in the caller's units; ``patience`` [s] is what the service may wait on
    purpose, or work on many things, beside the deadline. ``form`` is the media type that is asked for.
    """

    method: str
    path: str
    kind: type[T]
    body: msgspec.Struct | None = None
    query: dict[str, str] = {}
    keyed: bool = False
    version: int | None = None
    told: bool = False
    patience: float = 0.0
    form: str = "application/json"

    @property
    def repeatable(self) -> bool:
        """Whether sending it twice has one effect and one answer: it only reads or computes, or it is keyed."""
        return self.keyed or self.method == "GET" or "/compute/" in self.path

    def read(self, status: int, body: bytes) -> T:
        """The answer, or the problem as an exception."""
        if not 200 <= status < 300:
            raise problem_error(_problem(status, body))
        if self.kind is bytes:
            return body  # type: ignore[return-value]
        try:
            return msgspec.json.decode(body, type=self.kind)
        except (msgspec.DecodeError, UnicodeDecodeError) as error:
            raise AnswerError(f"the answer to {self.method} {self.path} cannot be read: {error}") from error


def _problem(status: int, body: bytes) -> Problem:
    try:
        return msgspec.json.decode(body, type=Problem)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise AnswerError(f"status {status} without a problem: is this a Catchpan service?") from error


def _at(*parts: str | int) -> str:
    return "/v1/" + "/".join(quote(str(part), safe="") for part in parts)


def _query(**given: Any) -> dict[str, str]:
    return {name: str(value) for name, value in given.items() if value not in (None, False)}


def _dry(dry_run: bool) -> dict[str, str]:
    return {"dry_run": "true"} if dry_run else {}


def health() -> Call[Health]:
    """Is the service up?"""
    return Call("GET", "/healthz", Health)


def organisation() -> Call[Organisation]:
    """Whose key is this, and what may it do?"""
    return Call("GET", _at("organisation"), Organisation)


def compute(name: str, kind: type[T], body: msgspec.Struct) -> Call[T]:
    """One computation, or a batch of it."""
    return Call("POST", _at("compute", name), kind, body, told=True)


def add_material(request: MaterialRequest, dry_run: bool) -> Call[Material]:
    """A new material."""
    return Call("POST", _at("materials"), Material, request, _dry(dry_run), keyed=True)


def materials(after: str | None, limit: int | None) -> Call[MaterialPage]:
    """One page of materials."""
    return Call("GET", _at("materials"), MaterialPage, query=_query(after=after, limit=limit))


def material(id: str) -> Call[Material]:
    """One material."""
    return Call("GET", _at("materials", id), Material)


def replace_material(id: str, request: MaterialRequest, version: int, dry_run: bool) -> Call[Material]:
    """A material anew, if nobody changed it since ``version``."""
    return Call("PUT", _at("materials", id), Material, request, _dry(dry_run), keyed=True, version=version)


def add_machine_kind(request: MachineKindRequest, dry_run: bool) -> Call[MachineKind]:
    """A new machine kind."""
    return Call("POST", _at("machine-kinds"), MachineKind, request, _dry(dry_run), keyed=True)


def machine_kinds(after: str | None, limit: int | None) -> Call[MachineKindPage]:
    """One page of machine kinds."""
    return Call("GET", _at("machine-kinds"), MachineKindPage, query=_query(after=after, limit=limit))


def machine_kind(id: str) -> Call[MachineKind]:
    """One machine kind."""
    return Call("GET", _at("machine-kinds", id), MachineKind)


def replace_machine_kind(id: str, request: MachineKindRequest, version: int, dry_run: bool) -> Call[MachineKind]:
    """A machine kind anew, if nobody changed it since ``version``."""
    return Call("PUT", _at("machine-kinds", id), MachineKind, request, _dry(dry_run), keyed=True, version=version)


def add_profile(request: ProfileRequest, dry_run: bool) -> Call[Profile]:
    """A new profile."""
    return Call("POST", _at("profiles"), Profile, request, _dry(dry_run), keyed=True)


def profiles(after: str | None, limit: int | None) -> Call[ProfilePage]:
    """One page of profiles."""
    return Call("GET", _at("profiles"), ProfilePage, query=_query(after=after, limit=limit))


def profile(id: str) -> Call[Profile]:
    """One profile."""
    return Call("GET", _at("profiles", id), Profile)


def add_revision(profile: str, request: RevisionRequest, dry_run: bool) -> Call[Revision]:
    """A new draft of a profile."""
    return Call("POST", _at("profiles", profile, "revisions"), Revision, request, _dry(dry_run), keyed=True)


def revisions(profile: str, after: str | None, limit: int | None) -> Call[RevisionPage]:
    """One page of a profile's revisions, newest first."""
    return Call("GET", _at("profiles", profile, "revisions"), RevisionPage, query=_query(after=after, limit=limit))


def revision(profile: str, number: int) -> Call[Revision]:
    """One revision with its content."""
    return Call("GET", _at("profiles", profile, "revisions", number), Revision)


def revision_content(profile: str, number: int) -> Call[bytes]:
    """The canonical bytes of a revision's content, as they were hashed."""
    return Call("GET", _at("profiles", profile, "revisions", number, "content"), bytes)


def replace_revision(
    profile: str, number: int, request: RevisionRequest, version: int, dry_run: bool
) -> Call[Revision]:
    """A draft anew, if nobody changed it since ``version``."""
    path = _at("profiles", profile, "revisions", number)
    return Call("PUT", path, Revision, request, _dry(dry_run), keyed=True, version=version)


def release_revision(
    profile: str, number: int, request: ReleaseRequest, version: int, dry_run: bool
) -> Call[RevisionSummary]:
    """Freeze a revision and put it in use."""
    path = _at("profiles", profile, "revisions", number, "release")
    return Call("POST", path, RevisionSummary, request, _dry(dry_run), keyed=True, version=version)


def release_provisionally(
    profile: str, number: int, request: ProvisionalReleaseRequest, version: int, dry_run: bool
) -> Call[RevisionSummary]:
    """Let one branch use a revision for some days."""
    path = _at("profiles", profile, "revisions", number, "release-provisionally")
    return Call("POST", path, RevisionSummary, request, _dry(dry_run), keyed=True, version=version)


def withdraw_revision(
    profile: str, number: int, request: WithdrawRequest, version: int, dry_run: bool
) -> Call[RevisionSummary]:
    """Take a revision out of use."""
    path = _at("profiles", profile, "revisions", number, "withdraw")
    return Call("POST", path, RevisionSummary, request, _dry(dry_run), keyed=True, version=version)


def difference(profile: str, before: int, after: int, tolerance: float | None) -> Call[Difference]:
    """What two revisions do differently on the ground."""
    query = _query(before=before, after=after, tolerance=tolerance)
    return Call("GET", _at("profiles", profile, "difference"), Difference, query=query, told=True)


def add_branch(request: BranchRequest, dry_run: bool) -> Call[Branch]:
    """A new branch."""
    return Call("POST", _at("branches"), Branch, request, _dry(dry_run), keyed=True)


def branches(after: str | None, limit: int | None) -> Call[BranchPage]:
    """One page of branches."""
    return Call("GET", _at("branches"), BranchPage, query=_query(after=after, limit=limit))


def branch(id: str) -> Call[Branch]:
    """One branch."""
    return Call("GET", _at("branches", id), Branch)


def replace_branch(id: str, request: BranchRequest, version: int, dry_run: bool) -> Call[Branch]:
    """A branch anew, if nobody changed it since ``version``."""
    return Call("PUT", _at("branches", id), Branch, request, _dry(dry_run), keyed=True, version=version)


def report_replica(branch: str, request: ReplicaReport, dry_run: bool) -> Call[ReplicaReport]:
    """What the replica of a branch holds."""
    return Call("POST", _at("branches", branch, "replica"), ReplicaReport, request, _dry(dry_run), keyed=True)


def add_machine(request: MachineRequest, dry_run: bool) -> Call[Machine]:
    """A new machine."""
    return Call("POST", _at("machines"), Machine, request, _dry(dry_run), keyed=True)


def machines(branch: str | None, after: str | None, limit: int | None) -> Call[MachinePage]:
    """One page of machines, of one branch or of all."""
    return Call("GET", _at("machines"), MachinePage, query=_query(branch=branch, after=after, limit=limit))


def machine(id: str) -> Call[Machine]:
    """One machine."""
    return Call("GET", _at("machines", id), Machine)


def replace_machine(id: str, request: MachineRequest, version: int, dry_run: bool) -> Call[Machine]:
    """A machine anew, if nobody changed it since ``version``."""
    return Call("PUT", _at("machines", id), Machine, request, _dry(dry_run), keyed=True, version=version)


def add_commissioning(machine: str, request: CommissioningRequest, dry_run: bool) -> Call[Commissioning]:
    """What was found on a machine."""
    path = _at("machines", machine, "commissionings")
    return Call("POST", path, Commissioning, request, _dry(dry_run), keyed=True, told=True)


def commissionings(machine: str, after: str | None, limit: int | None) -> Call[CommissioningPage]:
    """One page of a machine's commissionings."""
    query = _query(after=after, limit=limit)
    return Call("GET", _at("machines", machine, "commissionings"), CommissioningPage, query=query)


def commissioning(machine: str, number: int) -> Call[Commissioning]:
    """One commissioning."""
    return Call("GET", _at("machines", machine, "commissionings", number), Commissioning, told=True)


def machine_settings(machine: str, profile: str, number: int | None) -> Call[MachineSettings]:
    """What a machine is to be set to."""
    query = _query(profile=profile, number=number)
    return Call("GET", _at("machines", machine, "settings"), MachineSettings, query=query, told=True)


def add_correction(request: CorrectionRequest, dry_run: bool) -> Call[KeptCorrection]:
    """A correction from now on."""
    return Call("POST", _at("corrections"), KeptCorrection, request, _dry(dry_run), keyed=True)


def corrections(after: str | None, limit: int | None) -> Call[CorrectionPage]:
    """One page of corrections."""
    return Call("GET", _at("corrections"), CorrectionPage, query=_query(after=after, limit=limit))


def end_correction(id: str, dry_run: bool) -> Call[KeptCorrection]:
    """Take a correction out of force."""
    return Call("POST", _at("corrections", id, "end"), KeptCorrection, None, _dry(dry_run), keyed=True)


def report_running(machine: str, request: RunningReport, dry_run: bool) -> Call[Running]:
    """Which revision a machine took up."""
    return Call("POST", _at("machines", machine, "running"), Running, request, _dry(dry_run), keyed=True)


def running(machine: str, after: str | None, limit: int | None) -> Call[RunningPage]:
    """One page of what a machine was said to run."""
    return Call("GET", _at("machines", machine, "running"), RunningPage, query=_query(after=after, limit=limit))


def machine_history(machine: str, moment: datetime) -> Call[MachineHistory]:
    """What was in force on a machine at an instant."""
    query = _query(at=_instant(moment))
    return Call("GET", _at("machines", machine, "history"), MachineHistory, query=query)


def drift(branch: str | None, only_drift: bool, after: str | None, limit: int | None) -> Call[DriftPage]:
    """Wanted against running, for some machines."""
    query = _query(branch=branch, after=after, limit=limit) | {"only_drift": str(only_drift).lower()}
    return Call("GET", _at("drift"), DriftPage, query=query)


def dues(until: datetime | None, branch: str | None, after: str | None, limit: int | None) -> Call[DuePage]:
    """What is due until an instant."""
    query = _query(until=None if until is None else _instant(until), branch=branch, after=after, limit=limit)
    return Call("GET", _at("dues"), DuePage, query=query)


def calendar(token: str) -> Call[bytes]:
    """What is due, as iCalendar."""
    return Call("GET", _at("calendar.ics"), bytes, query={"token": token}, form="text/calendar")


def add_machine_check(machine: str, request: MachineCheckRequest, dry_run: bool) -> Call[MachineCheck]:
    """A check of a machine."""
    path = _at("machines", machine, "checks")
    return Call("POST", path, MachineCheck, request, _dry(dry_run), keyed=True, told=True)


def machine_checks(machine: str, after: str | None, limit: int | None) -> Call[MachineCheckPage]:
    """One page of a machine's checks."""
    query = _query(after=after, limit=limit)
    return Call("GET", _at("machines", machine, "checks"), MachineCheckPage, query=query, told=True)


def machine_check(machine: str, number: int) -> Call[MachineCheck]:
    """One check of a machine."""
    return Call("GET", _at("machines", machine, "checks", number), MachineCheck, told=True)


def strike_machine_check(machine: str, number: int, reason: str, dry_run: bool) -> Call[MachineCheck]:
    """Let a check count no longer."""
    path, asked = _at("machines", machine, "checks", number, "strike"), StrikeRequest(reason=reason)
    return Call("POST", path, MachineCheck, asked, _dry(dry_run), keyed=True, told=True)


def machine_charts(machine: str) -> Call[MachineCharts]:
    """The charts of a machine's checks."""
    return Call("GET", _at("machines", machine, "charts"), MachineCharts, told=True)


def kind_spread(id: str) -> Call[KindSpread]:
    """The spread between machines of a kind."""
    return Call("GET", _at("machine-kinds", id, "spread"), KindSpread, told=True)


def totals(
    since: datetime | None, until: datetime | None, branch: str | None, by: str, after: str | None, limit: int | None
) -> Call[TotalPage]:
    """One page of what went down."""
    query = _spanned(since, until) | _query(branch=branch, by=by, after=after, limit=limit)
    return Call("GET", _at("totals"), TotalPage, query=query, told=True)


def totals_file(
    since: datetime | None, until: datetime | None, branch: str | None, by: str, form: str, limit: int | None
) -> Call[bytes]:
    """What went down as a file for a spreadsheet."""
    query = _spanned(since, until) | _query(branch=branch, by=by, limit=limit)
    return Call("GET", _at("totals"), bytes, query=query, told=True, form=form)


def _spanned(since: datetime | None, until: datetime | None) -> dict[str, str]:
    return {name: _instant(one) for name, one in (("since", since), ("until", until)) if one is not None}


def _instant(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def add_rollout(request: RolloutRequest, dry_run: bool) -> Call[RolloutPlan]:
    """Begin a rollout, or plan it."""
    return Call("POST", _at("rollouts"), RolloutPlan, request, _dry(dry_run), keyed=True, told=True)


def rollouts(after: str | None, limit: int | None) -> Call[RolloutPage]:
    """One page of rollouts."""
    return Call("GET", _at("rollouts"), RolloutPage, query=_query(after=after, limit=limit))


def rollout(id: str) -> Call[Rollout]:
    """One rollout."""
    return Call("GET", _at("rollouts", id), Rollout)


def rollout_machines(id: str, after: str | None, limit: int | None) -> Call[RolloutMachinePage]:
    """One page of the machines of a rollout."""
    return Call("GET", _at("rollouts", id, "machines"), RolloutMachinePage, query=_query(after=after, limit=limit))


def move_rollout(id: str, move: str, reason: str, version: int, dry_run: bool) -> Call[Rollout]:
    """Hold, resume or undo a rollout that is still at ``version``."""
    asked = RolloutMoveRequest(reason=reason)
    return Call("POST", _at("rollouts", id, move), Rollout, asked, _dry(dry_run), keyed=True, version=version)


def advance_rollouts(dry_run: bool) -> Call[Rollouts]:
    """Make the moves that are due."""
    return Call("POST", _at("rollout-moves"), Rollouts, None, _dry(dry_run), keyed=True)


def add_key(request: KeyRequest, dry_run: bool) -> Call[Key]:
    """A new key, by the hash of its secret."""
    return Call("POST", _at("keys"), Key, request, _dry(dry_run), keyed=True)


def keys() -> Call[Keys]:
    """Every key of the organisation."""
    return Call("GET", _at("keys"), Keys)


def rotate_key(id: str, request: KeyRotation, dry_run: bool) -> Call[Key]:
    """A key in place of another, which goes on working for some hours."""
    return Call("POST", _at("keys", id, "rotate"), Key, request, _dry(dry_run), keyed=True)


def revoke_key(id: str, dry_run: bool) -> Call[Key]:
    """End a key."""
    return Call("POST", _at("keys", id, "revoke"), Key, None, _dry(dry_run), keyed=True)


def add_webhook(request: WebhookRequest, dry_run: bool) -> Call[Webhook]:
    """An address that hears of changes from now on."""
    return Call("POST", _at("webhooks"), Webhook, request, _dry(dry_run), keyed=True)


def webhooks(after: str | None, limit: int | None) -> Call[WebhookPage]:
    """One page of webhooks."""
    return Call("GET", _at("webhooks"), WebhookPage, query=_query(after=after, limit=limit))


def webhook(id: str) -> Call[Webhook]:
    """One webhook."""
    return Call("GET", _at("webhooks", id), Webhook)


def rotate_webhook(id: str, request: WebhookRotation, dry_run: bool) -> Call[Webhook]:
    """A webhook with another secret."""
    return Call("POST", _at("webhooks", id, "rotate"), Webhook, request, _dry(dry_run), keyed=True)


def try_webhook(id: str, dry_run: bool) -> Call[Delivery]:
    """A message to try a webhook with."""
    return Call("POST", _at("webhooks", id, "try"), Delivery, None, _dry(dry_run), keyed=True)


def resume_webhook(id: str, dry_run: bool) -> Call[Webhook]:
    """Send again to a webhook that was disabled."""
    return Call("POST", _at("webhooks", id, "resume"), Webhook, None, _dry(dry_run), keyed=True)


def end_webhook(id: str, dry_run: bool) -> Call[Webhook]:
    """Send nothing more to a webhook."""
    return Call("POST", _at("webhooks", id, "end"), Webhook, None, _dry(dry_run), keyed=True)


def deliveries(id: str, after: str | None, limit: int | None) -> Call[DeliveryPage]:
    """One page of the messages of a webhook, newest first."""
    return Call("GET", _at("webhooks", id, "deliveries"), DeliveryPage, query=_query(after=after, limit=limit))


def changes(
    branch: str | None, after: str | None, wait: float | None, limit: int | None, contents: bool
) -> Call[FeedPage]:
    """Changes after a cursor."""
    query = _query(branch=branch, after=after, wait=wait, limit=limit)
    query |= {"contents": "true"} if contents else {}
    return Call("GET", _at("changes"), FeedPage, query=query, patience=wait or 0.0)


def manifest(branch: str | None, at: int | None) -> Call[ManifestAnswer]:
    """What a scope should hold."""
    return Call("GET", _at("manifest"), ManifestAnswer, query=_query(branch=branch, at=at))


def head(branch: str | None, at: int | None) -> Call[SignedHead]:
    """The digests of a scope, signed."""
    return Call("GET", _at("head"), SignedHead, query=_query(branch=branch, at=at))


def snapshot(branch: str | None, after: str | None, limit: int | None) -> Call[SnapshotPage]:
    """One page of everything that a scope holds."""
    return Call("GET", _at("snapshot"), SnapshotPage, query=_query(branch=branch, after=after, limit=limit))


def signing_keys() -> Call[SigningKeys]:
    """The public keys that sign heads."""
    return Call("GET", _at("signing-keys"), SigningKeys)


def sync_status() -> Call[SyncStatus]:
    """How every branch's replica stands."""
    return Call("GET", _at("sync", "status"), SyncStatus)


def bulk(items: list[BulkItem], dry_run: bool) -> Call[BulkAnswer]:
    """Many things put in place, all or none."""
    body, patience = BulkRequest(items=items), _for_each(items)
    return Call("POST", _at("bulk"), BulkAnswer, body, _dry(dry_run), keyed=True, patience=patience)


def bulk_items(items: list[BulkItem], dry_run: bool) -> Call[BulkAnswers]:
    """Many things put in place, each by itself."""
    body, patience = BulkRequest(items=items), _for_each(items)
    return Call("POST", _at("bulk", "items"), BulkAnswers, body, _dry(dry_run), keyed=True, patience=patience)


def _for_each(items: list[BulkItem]) -> float:
    """What so many items may take beside the deadline [s]."""
    return 0.01 * len(items)
