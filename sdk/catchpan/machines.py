"""Single machines of the client, generated from amachines.py by sdk/generate_client.py: change that one."""

from abc import ABC, abstractmethod
from collections.abc import Iterator
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


class Machines(ABC):
    """What is found on single machines, and what each is to be set to."""

    @abstractmethod
    def run(self, call: Call[T], *, idempotency_key: str | None = None) -> T:
        """Send a call and read its answer."""

    def add_commissioning(
        self,
        machine: str,
        request: CommissioningRequest,
        *,
        dry_run: bool = False,
        idempotency_key: str | None = None,
    ) -> Commissioning:
        """Record what was found on a machine; the answer says what follows, and what changed since last time."""
        return self.run(calls.add_commissioning(machine, request, dry_run), idempotency_key=idempotency_key)

    def commissionings(
        self, machine: str, *, after: str | None = None, limit: int | None = None
    ) -> CommissioningPage:
        """One page of a machine's commissionings, newest first."""
        return self.run(calls.commissionings(machine, after, limit))

    def all_commissionings(self, machine: str) -> Iterator[CommissioningSummary]:
        """Every commissioning of a machine, newest first."""
        page = self.commissionings(machine)
        while True:
            for item in page.items:
                yield item
            if page.next is None:
                return
            page = self.commissionings(machine, after=page.next)

    def commissioning(self, machine: str, number: int) -> Commissioning:
        """One commissioning of a machine."""
        return self.run(calls.commissioning(machine, number))

    def machine_settings(self, machine: str, profile: str, *, number: int | None = None) -> MachineSettings:
        """What a machine is to be set to for a profile, or would be by another revision of it."""
        return self.run(calls.machine_settings(machine, profile, number))

    def add_correction(
        self, request: CorrectionRequest, *, dry_run: bool = False, idempotency_key: str | None = None
    ) -> KeptCorrection:
        """Correct the flow of one machine or one lot on a revision, in place of the correction in force."""
        return self.run(calls.add_correction(request, dry_run), idempotency_key=idempotency_key)

    def corrections(self, *, after: str | None = None, limit: int | None = None) -> CorrectionPage:
        """One page of corrections, in force and over, oldest first."""
        return self.run(calls.corrections(after, limit))

    def all_corrections(self) -> Iterator[KeptCorrection]:
        """Every correction, page by page."""
        page = self.corrections()
        while True:
            for item in page.items:
                yield item
            if page.next is None:
                return
            page = self.corrections(after=page.next)

    def end_correction(
        self, id: str, *, dry_run: bool = False, idempotency_key: str | None = None
    ) -> KeptCorrection:
        """Take a correction out of force: from now on the curve alone holds again."""
        return self.run(calls.end_correction(id, dry_run), idempotency_key=idempotency_key)

    def report_running(
        self, machine: str, request: RunningReport, *, dry_run: bool = False, idempotency_key: str | None = None
    ) -> Running:
        """Say which revision a machine took up, confirmed by a person at it."""
        return self.run(calls.report_running(machine, request, dry_run), idempotency_key=idempotency_key)

    def running(self, machine: str, *, after: str | None = None, limit: int | None = None) -> RunningPage:
        """One page of what a machine was said to run, the report received last first."""
        return self.run(calls.running(machine, after, limit))

    def machine_history(self, machine: str, moment: datetime) -> MachineHistory:
        """Which setting was in force on a machine at an instant, from which catches, with which correction."""
        return self.run(calls.machine_history(machine, moment))

    def drift(
        self,
        *,
        branch: str | None = None,
        only_drift: bool = True,
        after: str | None = None,
        limit: int | None = None,
    ) -> DriftPage:
        """What machines run that they should not, and of which nobody has said; ``limit`` counts machines."""
        return self.run(calls.drift(branch, only_drift, after, limit))

    def all_drift(self, *, branch: str | None = None, only_drift: bool = True) -> Iterator[MachineProfile]:
        """The same of every machine, page by page."""
        page = self.drift(branch=branch, only_drift=only_drift)
        while True:
            for item in page.items:
                yield item
            if page.next is None:
                return
            page = self.drift(branch=branch, only_drift=only_drift, after=page.next)

    def dues(
        self,
        *,
        until: datetime | None = None,
        branch: str | None = None,
        after: str | None = None,
        limit: int | None = None,
    ) -> DuePage:
        """One page of what is due until an instant, now by default; ``limit`` counts machines."""
        return self.run(calls.dues(until, branch, after, limit))

    def all_dues(self, *, until: datetime | None = None, branch: str | None = None) -> Iterator[Due]:
        """Everything that is due until an instant, page by page."""
        page = self.dues(until=until, branch=branch)
        while True:
            for item in page.items:
                yield item
            if page.next is None:
                return
            page = self.dues(until=until, branch=branch, after=page.next)

    def calendar(self, token: str) -> bytes:
        """What is due in the next two years as iCalendar, by the secret of a key with the role calendar."""
        return self.run(calls.calendar(token))

    def add_machine_check(
        self,
        machine: str,
        request: MachineCheckRequest,
        *,
        dry_run: bool = False,
        idempotency_key: str | None = None,
    ) -> MachineCheck:
        """Record catches made again, or material used; the answer says what follows from them."""
        return self.run(calls.add_machine_check(machine, request, dry_run), idempotency_key=idempotency_key)

    def machine_checks(
        self, machine: str, *, after: str | None = None, limit: int | None = None
    ) -> MachineCheckPage:
        """One page of a machine's checks, the one recorded last first."""
        return self.run(calls.machine_checks(machine, after, limit))

    def all_machine_checks(self, machine: str) -> Iterator[MachineCheckSummary]:
        """Every check of a machine, the one recorded last first."""
        page = self.machine_checks(machine)
        while True:
            for item in page.items:
                yield item
            if page.next is None:
                return
            page = self.machine_checks(machine, after=page.next)

    def machine_check(self, machine: str, number: int) -> MachineCheck:
        """One check of a machine, and what follows from it."""
        return self.run(calls.machine_check(machine, number))

    def strike_machine_check(
        self, machine: str, number: int, reason: str, *, dry_run: bool = False, idempotency_key: str | None = None
    ) -> MachineCheck:
        """Let a check that was recorded wrongly count no longer; it stays on record."""
        call = calls.strike_machine_check(machine, number, reason, dry_run)
        return self.run(call, idempotency_key=idempotency_key)

    def machine_charts(self, machine: str) -> MachineCharts:
        """EWMA and CUSUM over what a machine delivered against what was promised, by material."""
        return self.run(calls.machine_charts(machine))

    def kind_spread(self, id: str) -> KindSpread:
        """How much machines of a kind differ, by their last check catches."""
        return self.run(calls.kind_spread(id))

    def totals(
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
        return self.run(calls.totals(since, until, branch, by, after, limit))

    def all_totals(
        self,
        *,
        since: datetime | None = None,
        until: datetime | None = None,
        branch: str | None = None,
        by: Period = "month",
    ) -> Iterator[Total]:
        """Everything that went down, page by page."""
        page = self.totals(since=since, until=until, branch=branch, by=by)
        while True:
            for item in page.items:
                yield item
            if page.next is None:
                return
            page = self.totals(since=since, until=until, branch=branch, by=by, after=page.next)

    def totals_file(
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
        return self.run(calls.totals_file(since, until, branch, by, form, limit))
