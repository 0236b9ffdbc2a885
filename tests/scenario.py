"""A service in this process, and the whole of one invented season in it, sent as plain HTTP."""

import json
import re
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any
from uuid import UUID

import httpx
import msgspec
from litestar import Litestar
from uuid_utils.compat import uuid7

from catchpan.contract.problems import Problem, Slug
from catchpan.inprocess import InProcess
from catchpan_service import admin
from catchpan_service.app import create_app
from catchpan_service.problems import CATALOGUE, MEDIA_TYPE
from catchpan_service.settings import Settings
from catchpan_service.store import keys
from tests.store.places import Place, file_place

OURS, OTHERS = "Alder Hollow Grounds", "Quarry Lane Turf"
MISSING = "01900000-0000-7000-8000-00000000dead"
NOTHING = object()
# What ends something comes last, in this order; a rollout freezes a draft.
ENDINGS = (
    "undoRollout",
    "addRollout",
    "releaseRevision",
    "withdrawRevision",
    "revokeKey",
    "endCorrection",
    "strikeMachineCheck",
    "endWebhook",
)


@dataclass
class Web:
    """Plain HTTP to an app in this process; what is sent is as raw as the test wants it."""

    app: Litestar
    http: httpx.Client
    place: Place
    keys: dict[str, str] = field(default_factory=dict)
    branch: str = ""

    def send(
        self, method: str, path: str, body: Any = NOTHING, *, key: str | None = "owner", **headers: str | bytes
    ) -> httpx.Response:
        """One request: ``body`` as JSON, or bytes as they are; ``key`` by its name in ``keys``; If_Match="…" and so on."""
        told: dict[str, str | bytes] = {name.replace("_", "-"): value for name, value in headers.items()}
        if key is not None:
            told["Authorization"] = f"Bearer {self.keys.get(key, key)}"
        if isinstance(body, bytes):
            told.setdefault("Content-Type", "application/json")
            return self.http.request(method, path, content=body, headers=told)
        return self.http.request(method, path, headers=told, **({} if body is NOTHING else {"json": body}))

    def made(self, method: str, path: str, body: Any = NOTHING, **options: Any) -> Any:
        """The JSON of a request that must go well."""
        answer = self.send(method, path, body, **options)
        assert answer.is_success, answer.text
        return answer.json()

    def dump(self) -> str:
        """Every row in the database."""
        return self.place.dump()


@contextmanager
def serving(
    where: Path | Place, *, clock: Any = None, log_requests: bool = False, found: bool = True, **settings: Any
) -> Iterator[Web]:
    """A service on a database, or on the file in a folder; at first with a key for each role, and another's owner's."""
    place = where if isinstance(where, Place) else file_place(where / "catchpan.sqlite")
    # Nothing goes on by itself unless a test asks for it, so that what it did not do never changes its database.
    settings.setdefault("rollouts_every", 0)
    settings.setdefault("webhooks_every", 0)
    made = Settings(database=place.location, log_requests=log_requests, **settings)
    app = create_app(made, **({} if clock is None else {"clock": clock}))
    with httpx.Client(transport=InProcess(app), base_url="http://in-process") as http:
        web = Web(app, http, place)
        if found:
            _found(web)
        yield web


def _found(web: Web) -> None:
    for name in (OURS, OTHERS):
        admin.add_organisation(web.app.state.database, name, units="us", new_id=uuid7)
    for role in ("owner", "calibrator", "reader"):
        web.keys[role] = new_key(web, OURS, role)
    web.branch = web.made("POST", "/v1/branches", {"name": "Office yard"})["id"]
    web.keys["branch"] = new_key(web, OURS, "branch", branch=UUID(web.branch))
    web.keys["other owner"] = new_key(web, OTHERS, "owner")


def new_key(web: Web, organisation: str, role: str, **options: Any) -> str:
    """The secret of a new key."""
    return admin.create_key(web.app.state.database, organisation, role, role=role, **options).secret


@dataclass
class Season:
    """What one company has stored: a material, two machine kinds, the first draft of a profile on one of them, a
    machine at a branch; perhaps another profile in use, with a correction, and a rollout of a third."""

    material: str
    kind: str
    spare_kind: str
    profile: str
    branch: str
    machine: str
    key: str
    token: str = ""
    webhook: str = MISSING
    used: str = MISSING
    correction: str = MISSING
    digest: str = "sha256:" + "0" * 64
    number: int = 1
    trial: str = MISSING
    rollout: str = MISSING

    @property
    def revision(self) -> str:
        """The path of the draft."""
        return f"/v1/profiles/{self.profile}/revisions/{self.number}"


def season(
    web: Web, *, key: str = "owner", name: str = "", drafts: int = 1, in_use: bool = False, trial: bool = False
) -> Season:
    """Store one season under names that begin with ``name``; with a profile in use, and one on trial, if asked."""
    material = web.made("POST", "/v1/materials", example("addMaterial", name), key=key)["id"]
    kind, spare = (
        web.made("POST", "/v1/machine-kinds", example("addMachineKind", f"{name}{which}"), key=key)["id"]
        for which in ("", "spare ")
    )
    request = example("addProfile", name) | {"material": material, "machine_kind": kind}
    profile = web.made("POST", "/v1/profiles", request, key=key)["id"]
    for _ in range(drafts):
        web.made("POST", f"/v1/profiles/{profile}/revisions", example("addRevision"), key=key)
    branch = web.made("POST", "/v1/branches", example("addBranch", name), key=key)["id"]
    asked = example("addMachine", name) | {"branch": branch, "machine_kind": kind}
    machine = web.made("POST", "/v1/machines", asked, key=key)["id"]
    web.made("POST", f"/v1/machines/{machine}/commissionings", example("addCommissioning"), key=key)
    checked = example("addMachineCheck") | {"profile": profile}
    if drafts:
        web.made("POST", f"/v1/machines/{machine}/checks", checked, key=key)
    owner = "owner" if key == "calibrator" else key
    made = web.made("POST", "/v1/keys", example("addKey", name) | {"hash": secrets.token_hex(32)}, key=owner)["id"]
    token = f"catchpan-{secrets.token_urlsafe(32)}"
    request = {"name": f"{name}calendar", "role": "calendar", "hash": keys.hash_of(token)}
    web.made("POST", "/v1/keys", request, key=owner)
    found = Season(material, kind, spare, profile, branch, machine, made, token)
    found = _in_use(web, found, key, name) if in_use else found
    return _on_trial(web, found, key, name) if trial else found


def _in_use(web: Web, ours: Season, key: str, name: str) -> Season:
    """A second profile that the machine uses, with a correction on it; and a webhook, of which there are only a few."""
    other = web.made("POST", "/v1/materials", example("addMaterial", f"{name}used "), key=key)["id"]
    request = {"material": other, "machine_kind": ours.kind, "name": f"{name}used"}
    used = replace(ours, used=web.made("POST", "/v1/profiles", request, key=key)["id"])
    path = f"/v1/profiles/{used.used}/revisions"
    digest = web.made("POST", path, example("addRevision"), key=key)["digest"]
    owner = "owner" if key == "calibrator" else key
    webhook = web.made("POST", "/v1/webhooks", example("addWebhook"), key=owner)["id"]
    web.made("POST", f"{path}/1/release", example("releaseRevision"), key=key, If_Match="*")
    body = example("addCorrection") | {"profile": used.used, "machine": ours.machine}
    correction = web.made("POST", "/v1/corrections", body, key=key)["id"]
    return replace(used, digest=digest, webhook=webhook, correction=correction)


def _on_trial(web: Web, ours: Season, key: str, name: str) -> Season:
    """A third profile, of a kind of its own, whose first revision is in a rollout on one machine."""
    kind = web.made("POST", "/v1/machine-kinds", example("addMachineKind", f"{name}trial "), key=key)["id"]
    request = example("addProfile", f"{name}trial ") | {"material": ours.material, "machine_kind": kind}
    profile = web.made("POST", "/v1/profiles", request, key=key)["id"]
    web.made("POST", f"/v1/profiles/{profile}/revisions", example("addRevision"), key=key)
    asked = example("addMachine", f"{name}trial ") | {"branch": ours.branch, "machine_kind": kind}
    machine = web.made("POST", "/v1/machines", asked, key=key)["id"]
    begun = example("addRollout") | {"profile": profile, "waves": [{"machines": [machine]}]}
    rollout = web.made("POST", "/v1/rollouts", begun, key=key)["rollout"]["id"]
    return replace(ours, trial=profile, rollout=rollout)


@dataclass
class Operation:
    """One operation of the document, and how to call it."""

    id: str
    method: str
    template: str
    described: dict[str, Any]

    @property
    def secured(self) -> bool:
        """Whether it needs a key."""
        return bool(self.described.get("security") == [{"key": []}])

    @property
    def form(self) -> str:
        """The media type of its answer, the first if there are several."""
        answers = [told for status, told in self.described["responses"].items() if status < "300"]
        return next(iter(answers[0]["content"]))

    @property
    def computes(self) -> bool:
        """Whether it computes and stores nothing."""
        return "/compute/" in self.template

    @property
    def writes(self) -> bool:
        """Whether it changes what is stored."""
        return self.method != "GET" and not self.computes

    @property
    def parameters(self) -> set[str]:
        """The names of its parameters."""
        return {one["name"] for one in self.described.get("parameters", [])}

    @property
    def example(self) -> Any:
        """The example of its body, or ``NOTHING``."""
        if "requestBody" not in self.described:
            return NOTHING
        return self.described["requestBody"]["content"]["application/json"]["examples"]["invented"]["value"]

    def path(self, of: Season) -> str:
        """Its path for what a company has stored."""
        subject = {"materials": of.material, "machine-kinds": of.kind, "profiles": of.profile}
        subject |= {"corrections": of.correction, "rollouts": of.rollout, "webhooks": of.webhook}
        subject |= {"branches": of.branch, "machines": of.machine, "keys": of.key}
        collection = self.template.split("/")[2] if self.template.startswith("/v1/") else ""
        number = 1 if collection == "machines" else of.number
        filled = self.template.replace("{id}", subject.get(collection, "")).replace("{number}", str(number))
        asked = {"compareRevisions": "?before=1&after=1", "showMachineSettings": f"?profile={of.profile}&number=1"}
        asked["showCalendar"] = f"?token={of.token}"
        asked["showMachineHistory"] = "?at=2999-01-01T00:00:00Z"
        return filled + asked.get(self.id, "")

    def body(self, of: Season, name: str = "") -> Any:
        """Its example, with the company's own ids; a new name where a name must be free."""
        own: dict[str, dict[str, Any]] = {
            "addProfile": {"material": of.material, "machine_kind": of.spare_kind},
            "addMachine": {"branch": of.branch, "machine_kind": of.kind},
            "replaceMachine": {"branch": of.branch, "machine_kind": of.kind},
            "reportRunning": {"profile": of.used, "digest": of.digest},
            "addMachineCheck": {"profile": of.profile},
            "addCorrection": {"profile": of.used, "machine": None, "lot": "L2041"},
            "addRollout": {"profile": of.profile, "waves": [{"machines": [of.machine]}]},
            "releaseRevisionProvisionally": {"branch": of.branch},
            "addKey": {"hash": secrets.token_hex(32)},
            "rotateKey": {"hash": secrets.token_hex(32)},
        }
        named = self.id not in {"addProfile", "addKey"}
        found = self.example if self.example is NOTHING or not named else example(self.id, name)
        if self.id in {"putTogether", "putEach"}:
            return {"items": [{"branch": {"name": f"{name}yard"}}, *found["items"]]}
        return found if found is NOTHING else found | own.get(self.id, {})

    def call(self, web: Web, of: Season, name: str = "", **options: Any) -> httpx.Response:
        """Call it on what a company has stored, whatever its version is."""
        headers = {"If_Match": "*"} if "If-Match" in self.parameters else {}
        return web.send(self.method, self.path(of), self.body(of, name), **(headers | options))


@cache
def document() -> dict[str, Any]:
    """The document as the service would serve it."""
    app = create_app(Settings(log_requests=False), stores=False)
    with httpx.Client(transport=InProcess(app), base_url="http://in-process") as http:
        made: dict[str, Any] = json.loads(http.get("/openapi.json").content)
    return made


@cache
def operations() -> dict[str, Operation]:
    """Every operation of the document, by its id; those that end something come last."""
    found = [
        Operation(described["operationId"], method.upper(), template, described)
        for template, item in document()["paths"].items()
        for method, described in item.items()
    ]
    return {one.id: one for one in sorted(found, key=lambda one: ("", *ENDINGS).index(one.id * (one.id in ENDINGS)))}


def example(operation: str, name: str = "") -> dict[str, Any]:
    """The example of an operation, under a name that begins with ``name`` where it has one."""
    found: dict[str, Any] = operations()[operation].example
    return found | {"name": f"{name}{found['name']}"} if "name" in found else found


def is_problem(answer: httpx.Response, slug: Slug) -> Problem:
    """Check that an answer is a problem of a kind, and give it."""
    status, title = CATALOGUE[slug]
    assert (answer.status_code, answer.headers["content-type"]) == (status, MEDIA_TYPE)
    found = msgspec.json.decode(answer.content, type=Problem)
    assert (found.type, found.title, found.status) == (f"/problems/{slug.value}", title, status)
    assert set(answer.json()) == set(Problem.__struct_fields__)
    assert found.request == answer.headers["request-id"]
    assert re.fullmatch(r"[0-9a-f-]{36}", found.request)
    assert found.detail
    return found
