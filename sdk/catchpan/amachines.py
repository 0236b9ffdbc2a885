"""Single machines of the asynchronous client. The synchronous twin, machines.py, is generated from it."""

from abc import ABC, abstractmethod
from collections.abc import AsyncIterator
from datetime import datetime
from typing import Literal, TypeVar

from catchpan import calls
from catchpan.calls import Call
from catchpan.contract.commissionings import (
    Commissioning,
    CommissioningPage,
    CommissioningRequest,
    CommissioningSummary,
    MachineSettings,
)
from catchpan.contract.corrections import CorrectionPage, CorrectionRequest, KeptCorrection
from catchpan.contract.dues import Due, DuePage
from catchpan.contract.machine_checks import (
    KindSpread,
    MachineCharts,
    MachineCheck,
    MachineCheckPage,
    MachineCheckRequest,
    MachineCheckSummary,
)
from catchpan.contract.running import (
    DriftPage,
    MachineHistory,
    MachineProfile,
    Running,
    RunningPage,
    RunningReport,
)
from catchpan.contract.totals import Total, TotalPage

T = TypeVar("T")
Period = Literal["month", "year"]


class AsyncMachines(ABC):
    """What is found on single machines, and what each is to be set to."""

    @abstractmethod
    async def run(self, call: Call[T], *, idempotency_key: str | None = None) -> T:
        """Send a call and read its answer."""

    async def add_commissioning(
        self,
        machine: str,
        request: CommissioningRequest,
        *,
        dry_run: bool = False,
        idempotency_key: str | None = None,
    ) -> Commissioning:
        """Record what was found on a machine; the answer says what follows, and what changed since last time."""
        return await self.run(calls.add_commissioning(machine, request, dry_run), idempotency_key=idempotency_key)

    async def commissionings(
        self, machine: str, *, after: str | None = None, limit: int | None = None
    ) -> CommissioningPage:
        """One page of a machine's commissionings, newest first."""
        return await self.run(calls.commissionings(machine, after, limit))

    async def all_commissionings(self, machine: str) -> AsyncIterator[CommissioningSummary]:
        """Every commissioning of a machine, newest first."""
        page = await self.commissionings(machine)
        while True:
            for item in page.items:
                yield item
            if page.next is None:
                return
            page = await self.commissionings(machine, after=page.next)

    async def commissioning(self, machine: str, number: int) -> Commissioning:
        """One commissioning of a machine."""
        return await self.run(calls.commissioning(machine, number))

    async def machine_settings(self, machine: str, profile: str, *, number: int | None = None) -> MachineSettings:
        """What a machine is to be set to for a profile, or would be by another revision of it."""
        return await self.run(calls.machine_settings(machine, profile, number))

    async def add_correction(
        self, request: CorrectionRequest, *, dry_run: bool = False, idempotency_key: str | None = None
    ) -> KeptCorrection:
        """Correct the flow of one machine or one lot on a revision, in place of the correction in force."""
        return await self.run(calls.add_correction(request, dry_run), idempotency_key=idempotency_key)

    async def corrections(self, *, after: str | None = None, limit: int | None = None) -> CorrectionPage:
        """One page of corrections, in force and over, oldest first."""
        return await self.run(calls.corrections(after, limit))

    async def all_corrections(self) -> AsyncIterator[KeptCorrection]:
        """Every correction, page by page."""
        page = await self.corrections()
        while True:
            for item in page.items:
                yield item
            if page.next is None:
                return
            page = await self.corrections(after=page.next)

    async def end_correction(
        self, id: str, *, dry_run: bool = False, idempotency_key: str | None = None
    ) -> KeptCorrection:
        """Take a correction out of force: from now on the curve alone holds again."""
        return await self.run(calls.end_correction(id, dry_run), idempotency_key=idempotency_key)

    async def report_running(
        self, machine: str, request: RunningReport, *, dry_run: bool = False, idempotency_key: str | None = None
    ) -> Running:
        """Say which revision a machine took up, confirmed by a person at it."""
        return await self.run(calls.report_running(machine, request, dry_run), idempotency_key=idempotency_key)

    async def running(self, machine: str, *, after: str | None = None, limit: int | None = None) -> RunningPage:
        """One page of what a machine was said to run, the report received last first."""
        return await self.run(calls.running(machine, after, limit))

    async def machine_history(self, machine: str, moment: datetime) -> MachineHistory:
        """Which setting was in force on a machine at an instant, from which catches, with which correction."""
        return await self.run(calls.machine_history(machine, moment))

    async def drift(
        self,
        *,
        branch: str | None = None,
        only_drift: bool = True,
        after: str | None = None,
        limit: int | None = None,
    ) -> DriftPage:
        """What machines run that they should not, and of which nobody has said; ``limit`` counts machines."""
        return await self.run(calls.drift(branch, only_drift, after, limit))

    async def all_drift(self, *, branch: str | None = None, only_drift: bool = True) -> AsyncIterator[MachineProfile]:
        """The same of every machine, page by page."""
        page = await self.drift(branch=branch, only_drift=only_drift)
        while True:
            for item in page.items:
                yield item
            if page.next is None:
                return
            page = await self.drift(branch=branch, only_drift=only_drift, after=page.next)

    async def dues(
        self,
        *,
        until: datetime | None = None,
        branch: str | None = None,
        after: str | None = None,
        limit: int | None = None,
    ) -> DuePage:
        """One page of what is due until an instant, now by default; ``limit`` counts machines."""
        return await self.run(calls.dues(until, branch, after, limit))

    async def all_dues(self, *, until: datetime | None = None, branch: str | None = None) -> AsyncIterator[Due]:
        """Everything that is due until an instant, page by page."""
        page = await self.dues(until=until, branch=branch)
        while True:
            for item in page.items:
                yield item
            if page.next is None:
                return
            page = await self.dues(until=until, branch=branch, after=page.next)

    async def calendar(self, token: str) -> bytes:
        """What is due in the next two years as iCalendar, by the secret of a key with the role calendar."""
        return await self.run(calls.calendar(token))

    async def add_machine_check(
        self,
        machine: str,
        request: MachineCheckRequest,
        *,
        dry_run: bool = False,
        idempotency_key: str | None = None,
    ) -> MachineCheck:
        """Record catches made again, or material used; the answer says what follows from them."""
        return await self.run(calls.add_machine_check(machine, request, dry_run), idempotency_key=idempotency_key)

    async def machine_checks(
        self, machine: str, *, after: str | None = None, limit: int | None = None
    ) -> MachineCheckPage:
        """One page of a machine's checks, the one recorded last first."""
        return await self.run(calls.machine_checks(machine, after, limit))

    async def all_machine_checks(self, machine: str) -> AsyncIterator[MachineCheckSummary]:
        """Every check of a machine, the one recorded last first."""
        page = await self.machine_checks(machine)
        while True:
            for item in page.items:
                yield item
            if page.next is None:
                return
            page = await self.machine_checks(machine, after=page.next)

    async def machine_check(self, machine: str, number: int) -> MachineCheck:
        """One check of a machine, and what follows from it."""
        return await self.run(calls.machine_check(machine, number))

    async def strike_machine_check(
        self, machine: str, number: int, reason: str, *, dry_run: bool = False, idempotency_key: str | None = None
    ) -> MachineCheck:
        """Let a check that was recorded wrongly count no longer; it stays on record."""
        call = calls.strike_machine_check(machine, number, reason, dry_run)
        return await self.run(call, idempotency_key=idempotency_key)

    async def machine_charts(self, machine: str) -> MachineCharts:
        """EWMA and CUSUM over what a machine delivered against what was promised, by material."""
        return await self.run(calls.machine_charts(machine))

    async def kind_spread(self, id: str) -> KindSpread:
        """How much machines of a kind differ, by their last check catches."""
        return await self.run(calls.kind_spread(id))

    async def totals(
        self,
        *,
        since: datetime | None = None,
        until: datetime | None = None,
        branch: str | None = None,
        by: Period = "month",
        after: str | None = None,
        limit: int | None = None,
    ) -> TotalPage:
        """One page of what went down, by period, branch and material."""
        return await self.run(calls.totals(since, until, branch, by, after, limit))

    async def all_totals(
        self,
        *,
        since: datetime | None = None,
        until: datetime | None = None,
        branch: str | None = None,
        by: Period = "month",
    ) -> AsyncIterator[Total]:
        """Everything that went down, page by page."""
        page = await self.totals(since=since, until=until, branch=branch, by=by)
        while True:
            for item in page.items:
                yield item
            if page.next is None:
                return
            page = await self.totals(since=since, until=until, branch=branch, by=by, after=page.next)

    async def totals_file(
        self,
        form: str,
        *,
        since: datetime | None = None,
        until: datetime | None = None,
        branch: str | None = None,
        by: Period = "month",
        limit: int = 10_000,
    ) -> bytes:
        """What went down as a file for a spreadsheet: ``form`` is its media type, that of CSV or of XLSX."""
        return await self.run(calls.totals_file(since, until, branch, by, form, limit))
