"""``/v1/machines/{id}/commissionings`` and ``…/settings``: one machine, as found, and as it is to be set."""

from collections.abc import Callable
from typing import Annotated
from uuid import UUID

import msgspec
from litestar import Response, Router, get, post
from litestar.params import JSONBody, PathParameter, QueryParameter

from catchpan.contract.commissionings import (
    Commissioning,
    CommissioningPage,
    CommissioningRequest,
    MachineSettings,
)
from catchpan.contract.profiles import Content
from catchpan.quantities import System
from catchpan_service.routes.asking import (
    SECURED,
    After,
    Asking,
    Limit,
    Ordered,
    Store,
    Subject,
    Told,
    needs_key,
)
from catchpan_service.routes.replies import encoded, paged, sent
from catchpan_service.rules.access import Action, require
from catchpan_service.si import commissionings as judging
from catchpan_service.si import corrections, machine_checks, machine_settings
from catchpan_service.si.ranges import require_sound
from catchpan_service.store import commissionings, wanted
from catchpan_service.store.commissionings import Recorded
from catchpan_service.store.database import Reply
from catchpan_service.strict import StrictRequest

Number = Annotated[int, PathParameter(ge=1, le=1_000_000_000, description="Number of a commissioning.")]
OfProfile = Annotated[UUID, QueryParameter(description="A profile of the machine's kind.")]
Tried = Annotated[
    int | None,
    QueryParameter(ge=1, le=1_000_000, description="A revision to try; by default the one that the machine is to use."),
]


@get("/{id:uuid}/commissionings", operation_id="listCommissionings", summary="Commissionings of a machine")
async def page(
    request: StrictRequest, database: Store, access: Asking, id: Subject, after: After = None, limit: Limit = 50
) -> Response[CommissioningPage]:
    """Every commissioning of a machine, the one recorded last first."""
    asked = (access.organisation, id, after, limit, access.within)
    return paged(request, await database.read(commissionings.page, *asked))


@post("/{id:uuid}/commissionings", operation_id="addCommissioning", summary="Record a commissioning")
async def add(
    data: JSONBody[CommissioningRequest], database: Store, order: Ordered, told: Told, id: Subject
) -> Response[Commissioning]:
    """What was found on a machine, what follows from it, and what changed since last time."""
    require(order.access.role, Action.REPORT)
    require_sound(data)
    return sent(await database.write(commissionings.add, order, id, data, order.access.within, reply=_recorded(told)))


@get("/{id:uuid}/commissionings/{number:int}", operation_id="showCommissioning", summary="One commissioning")
async def show(database: Store, access: Asking, told: Told, id: Subject, number: Number) -> Commissioning:
    """One commissioning of a machine."""
    return _told(await database.read(commissionings.get, access.organisation, id, number, access.within), told)


@get("/{id:uuid}/settings", operation_id="showMachineSettings", summary="What a machine is to be set to")
async def settings(
    request: StrictRequest,
    database: Store,
    access: Asking,
    told: Told,
    id: Subject,
    profile: OfProfile,
    number: Tried = None,
) -> MachineSettings:
    """The openings and actuator positions of one machine for one profile, from the revision that it is to use."""
    now = request.app.state.clock()
    basis = await database.read(wanted.basis, access.organisation, id, profile, number, now, access.within)
    entry, last = basis.wanted.entry, basis.commissioning
    setting = machine_settings.Setting(
        content=msgspec.json.decode(basis.content, type=Content),
        gates=[] if last is None else last.record.gates,
        step=basis.kind.opening_step,
        correction=1.0 if basis.correction is None else basis.correction.factor,
        others=machine_checks.spread(basis.kind.id, basis.checked, told),
    )
    works, found = machine_settings.works(setting, told)
    return MachineSettings(
        machine=basis.machine.id,
        name=basis.machine.name,
        profile=entry.profile,
        profile_name=entry.name,
        number=entry.number,
        digest=entry.digest,
        state=entry.state,
        held_by=basis.wanted.target,
        commissioning=None if last is None else last.number,
        correction=setting.correction,
        works=works,
        gate_table=machine_settings.table(setting, told),
        findings=[
            *machine_settings.standing(entry, last and last.record.done, last and last.due, now),
            *corrections.said(basis.correction),
            *found,
        ],
    )


def _recorded(told: System) -> Callable[[Recorded], Reply]:
    def reply(made: Recorded) -> Reply:
        path = f"/v1/machines/{made.machine}/commissionings/{made.number}"
        return Reply(201, encoded(_told(made, told)), location=path)

    return reply


def _told(made: Recorded, told: System) -> Commissioning:
    judged = judging.judge(made.record, made.before, made.recorded, told)
    return Commissioning(
        machine=str(made.machine),
        number=made.number,
        recorded=made.recorded,
        recorded_by=made.recorded_by,
        record=made.record,
        due=made.due,
        **judged._asdict(),
    )


router = Router(
    "/v1/machines",
    route_handlers=[page, add, show, settings],
    tags=["fleet"],
    security=SECURED,
    guards=[needs_key],
)
