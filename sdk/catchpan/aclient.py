"""The asynchronous client: one line for each operation. The synchronous twin, client.py, is generated from it."""

import random
import time
import uuid
from collections.abc import AsyncIterator
from typing import Any, Self, TypeVar

import anyio
import httpx
import msgspec

from catchpan import calls, retry
from catchpan.abranches import AsyncBranches
from catchpan.acomputing import AsyncComputing
from catchpan.amachines import AsyncMachines
from catchpan.arollouts import AsyncRollouts
from catchpan.awebhooks import AsyncWebhooks
from catchpan.calls import Call
from catchpan.contract.machine_kinds import MachineKind, MachineKindPage, MachineKindRequest
from catchpan.contract.materials import Material, MaterialPage, MaterialRequest
from catchpan.contract.organisations import Health, Organisation
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
from catchpan.errors import UnreachableError
from catchpan.inprocess import AsyncInProcess
from catchpan.quantities import System

T = TypeVar("T")


class AsyncCatchpan(AsyncComputing, AsyncBranches, AsyncMachines, AsyncRollouts, AsyncWebhooks):
    """A client of one service.

    Parameters
    ----------
    url : str
        Where the service is, such as ``http://127.0.0.1:8420``.
    key : str, optional
        A key of the organisation. Computations may work without.
    units : {"us", "si"}, optional
        Units of the answers; by default those of the organisation.
    deadline : float
        Seconds [s] within which a call, with all its retries, is answered or raises UnreachableError.
    transport : httpx.AsyncBaseTransport, optional
        Another way to reach the service: ``AsyncInProcess(app)``, or one that fails on purpose.
    """

    def __init__(
        self,
        url: str,
        *,
        key: str | None = None,
        units: System | None = None,
        deadline: float = 30.0,
        transport: httpx.AsyncBaseTransport | None = None,
    ) -> None:
        headers = {"authorization": f"Bearer {key}"} if key else {}
        self._http = httpx.AsyncClient(base_url=url, headers=headers, transport=transport)
        self._units = units
        self._deadline = deadline

    @classmethod
    def in_process(cls, app: Any, *, key: str | None = None, units: System | None = None) -> Self:
        """A client of an ASGI app in this process: no network, no server."""
        return cls("http://in-process", key=key, units=units, transport=AsyncInProcess(app))

    async def __aenter__(self) -> Self:
        await self._http.__aenter__()
        return self

    async def __aexit__(self, *exc: Any) -> None:
        await self._http.__aexit__(*exc)

    async def aclose(self) -> None:
        """Close the connections."""
        await self._http.aclose()

    async def run(self, call: Call[T], *, idempotency_key: str | None = None) -> T:
        """Send a call, again where that is safe and may help, and read its answer."""
        ends, attempt = time.monotonic() + self._deadline + call.patience, 0
        headers = self._headers(call, idempotency_key)
        while True:
            answer, lost = await self._exchange(call, headers, ends - time.monotonic())
            status = answer.status_code if answer else None
            told = answer.headers.get("retry-after") if answer else None
            left = ends - time.monotonic()
            wait = retry.pause(call, attempt=attempt, status=status, retry_after=told, left=left, draw=random.random)
            if wait is None and answer is not None and status not in (502, 504):
                return call.read(answer.status_code, answer.content)
            if wait is None:
                raise UnreachableError(f"no answer from {self._http.base_url} ({lost or status})") from lost
            await anyio.sleep(wait)
            attempt += 1

    def _headers(self, call: Call[Any], idempotency_key: str | None) -> dict[str, str]:
        headers = {"accept": call.form}
        if call.body is not None:
            headers["content-type"] = "application/json"
        if call.keyed and "dry_run" not in call.query:
            headers["idempotency-key"] = idempotency_key or str(uuid.uuid4())
        if call.version is not None:
            headers["if-match"] = f'"{call.version}"'
        return headers

    async def _exchange(
        self, call: Call[Any], headers: dict[str, str], left: float
    ) -> tuple[httpx.Response | None, httpx.TransportError | None]:
        query = {"units": self._units, **call.query} if self._units and call.told else call.query
        body = None if call.body is None else msgspec.json.encode(call.body)
        try:
            answer = await self._http.request(
                call.method, call.path, params=query, content=body, headers=headers, timeout=max(left, 0.001)
            )
        except httpx.TransportError as error:
            return None, error
        return answer, None

    async def health(self) -> Health:
        """Is the service up?"""
        return await self.run(calls.health())

    async def organisation(self) -> Organisation:
        """Whose key is this, and what may it do?"""
        return await self.run(calls.organisation())

    async def add_material(
        self, request: MaterialRequest, *, dry_run: bool = False, idempotency_key: str | None = None
    ) -> Material:
        """Add a material."""
        return await self.run(calls.add_material(request, dry_run), idempotency_key=idempotency_key)

    async def materials(self, *, after: str | None = None, limit: int | None = None) -> MaterialPage:
        """One page of materials."""
        return await self.run(calls.materials(after, limit))

    async def all_materials(self) -> AsyncIterator[Material]:
        """Every material, page by page."""
        page = await self.materials()
        while True:
            for item in page.items:
                yield item
            if page.next is None:
                return
            page = await self.materials(after=page.next)

    async def material(self, id: str) -> Material:
        """One material."""
        return await self.run(calls.material(id))

    async def replace_material(
        self, id: str, request: MaterialRequest, *, version: int, dry_run: bool = False
    ) -> Material:
        """Replace a material that is still at ``version``; StaleError otherwise."""
        return await self.run(calls.replace_material(id, request, version, dry_run))

    async def add_machine_kind(
        self, request: MachineKindRequest, *, dry_run: bool = False, idempotency_key: str | None = None
    ) -> MachineKind:
        """Add a machine kind."""
        return await self.run(calls.add_machine_kind(request, dry_run), idempotency_key=idempotency_key)

    async def machine_kinds(self, *, after: str | None = None, limit: int | None = None) -> MachineKindPage:
        """One page of machine kinds."""
        return await self.run(calls.machine_kinds(after, limit))

    async def all_machine_kinds(self) -> AsyncIterator[MachineKind]:
        """Every machine kind, page by page."""
        page = await self.machine_kinds()
        while True:
            for item in page.items:
                yield item
            if page.next is None:
                return
            page = await self.machine_kinds(after=page.next)

    async def machine_kind(self, id: str) -> MachineKind:
        """One machine kind."""
        return await self.run(calls.machine_kind(id))

    async def replace_machine_kind(
        self, id: str, request: MachineKindRequest, *, version: int, dry_run: bool = False
    ) -> MachineKind:
        """Replace a machine kind that is still at ``version``; StaleError otherwise."""
        return await self.run(calls.replace_machine_kind(id, request, version, dry_run))

    async def add_profile(
        self, request: ProfileRequest, *, dry_run: bool = False, idempotency_key: str | None = None
    ) -> Profile:
        """Add a profile: one for each material on each machine kind."""
        return await self.run(calls.add_profile(request, dry_run), idempotency_key=idempotency_key)

    async def profiles(self, *, after: str | None = None, limit: int | None = None) -> ProfilePage:
        """One page of profiles."""
        return await self.run(calls.profiles(after, limit))

    async def all_profiles(self) -> AsyncIterator[Profile]:
        """Every profile, page by page."""
        page = await self.profiles()
        while True:
            for item in page.items:
                yield item
            if page.next is None:
                return
            page = await self.profiles(after=page.next)

    async def profile(self, id: str) -> Profile:
        """One profile."""
        return await self.run(calls.profile(id))

    async def add_revision(
        self, profile: str, request: RevisionRequest, *, dry_run: bool = False, idempotency_key: str | None = None
    ) -> Revision:
        """Save a new draft; the service computes the curve that is left out."""
        return await self.run(calls.add_revision(profile, request, dry_run), idempotency_key=idempotency_key)

    async def revisions(self, profile: str, *, after: str | None = None, limit: int | None = None) -> RevisionPage:
        """One page of a profile's revisions, newest first."""
        return await self.run(calls.revisions(profile, after, limit))

    async def all_revisions(self, profile: str) -> AsyncIterator[RevisionSummary]:
        """Every revision of a profile, newest first."""
        page = await self.revisions(profile)
        while True:
            for item in page.items:
                yield item
            if page.next is None:
                return
            page = await self.revisions(profile, after=page.next)

    async def revision(self, profile: str, number: int) -> Revision:
        """One revision with its content."""
        return await self.run(calls.revision(profile, number))

    async def revision_content(self, profile: str, number: int) -> bytes:
        """The canonical bytes of a revision's content: what its digest is of."""
        return await self.run(calls.revision_content(profile, number))

    async def replace_revision(
        self, profile: str, number: int, request: RevisionRequest, *, version: int, dry_run: bool = False
    ) -> Revision:
        """Replace a draft that is still at ``version``; StaleError otherwise."""
        return await self.run(calls.replace_revision(profile, number, request, version, dry_run))

    async def release_revision(
        self,
        profile: str,
        number: int,
        request: ReleaseRequest,
        *,
        version: int,
        dry_run: bool = False,
        idempotency_key: str | None = None,
    ) -> RevisionSummary:
        """Freeze a revision and put it in use."""
        call = calls.release_revision(profile, number, request, version, dry_run)
        return await self.run(call, idempotency_key=idempotency_key)

    async def release_provisionally(
        self,
        profile: str,
        number: int,
        request: ProvisionalReleaseRequest,
        *,
        version: int,
        dry_run: bool = False,
        idempotency_key: str | None = None,
    ) -> RevisionSummary:
        """Let one branch use a revision for some days, instead of the organisation's."""
        call = calls.release_provisionally(profile, number, request, version, dry_run)
        return await self.run(call, idempotency_key=idempotency_key)

    async def withdraw_revision(
        self,
        profile: str,
        number: int,
        request: WithdrawRequest,
        *,
        version: int,
        dry_run: bool = False,
        idempotency_key: str | None = None,
    ) -> RevisionSummary:
        """Take a revision out of use."""
        call = calls.withdraw_revision(profile, number, request, version, dry_run)
        return await self.run(call, idempotency_key=idempotency_key)

    async def difference(self, profile: str, before: int, after: int, *, tolerance: float | None = None) -> Difference:
        """What two revisions do differently on the ground, in the trade's terms."""
        return await self.run(calls.difference(profile, before, after, tolerance))
