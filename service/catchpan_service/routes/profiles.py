"""``/v1/profiles``: profiles and their revisions."""

from typing import Annotated
from uuid import UUID

import msgspec
from litestar import Response, Router, get, post, put
from litestar.params import JSONBody, PathParameter, QueryParameter

from catchpan.contract.materials import MaterialRequest
from catchpan.contract.profiles import (
    Content,
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
    Withdrawal,
    WithdrawRequest,
)
from catchpan.digest import digest
from catchpan.quantities import Ratio
from catchpan_service.routes.asking import (
    SECURED,
    After,
    Asking,
    Expected,
    Limit,
    Ordered,
    Store,
    Subject,
    Told,
    needs_key,
)
from catchpan_service.routes.replies import added, changed, paged, sent, shown, shown_bytes
from catchpan_service.rules.access import Action, require
from catchpan_service.si import differences
from catchpan_service.si.profiles import completed
from catchpan_service.si.ranges import require_sound
from catchpan_service.si.telling import Telling
from catchpan_service.store import materials, profiles, revisions
from catchpan_service.store.database import Access, Database
from catchpan_service.store.revisions import Draft
from catchpan_service.strict import StrictRequest

Number = Annotated[int, PathParameter(ge=1, le=1_000_000, description="Number of a revision.")]
Compared = Annotated[int, QueryParameter(ge=1, le=1_000_000, description="Number of a revision.")]


@get("/", operation_id="listProfiles", summary="Profiles, page by page")
async def page(
    request: StrictRequest, database: Store, access: Asking, after: After = None, limit: Limit = 50
) -> Response[ProfilePage]:
    """Profiles of the organisation, oldest first."""
    return paged(request, await database.read(profiles.page, access.organisation, after, limit, access.within))


@post("/", operation_id="addProfile", summary="Add a profile")
async def add(data: JSONBody[ProfileRequest], database: Store, order: Ordered) -> Response[Profile]:
    """A new profile, still without a revision: one for each material on each machine kind."""
    require(order.access.role, Action.SAVE)
    reply = added(lambda made: f"/v1/profiles/{made.id}")
    return sent(await database.write(profiles.add, order, data, reply=reply))


@get("/{id:uuid}", operation_id="showProfile", summary="One profile")
async def show(request: StrictRequest, database: Store, access: Asking, id: Subject) -> Response[Profile]:
    """One profile of the organisation."""
    return shown(request, await database.read(profiles.get, access.organisation, id, access.within))


@get("/{id:uuid}/revisions", operation_id="listRevisions", summary="Revisions, newest first")
async def page_revisions(
    request: StrictRequest,
    database: Store,
    access: Asking,
    id: Subject,
    after: After = None,
    limit: Limit = 50,
) -> Response[RevisionPage]:
    """The history of a profile, without the contents."""
    return paged(request, await database.read(revisions.page, access.organisation, id, after, limit, access.within))


@post("/{id:uuid}/revisions", operation_id="addRevision", summary="Save a new draft")
async def add_revision(
    data: JSONBody[RevisionRequest], database: Store, order: Ordered, id: Subject
) -> Response[Revision]:
    """A new draft with the next number; the service computes the curve that is left out."""
    require(order.access.role, Action.SAVE)
    made = await _draft(database, order.access, id, data)
    reply = added(lambda one: f"/v1/profiles/{id}/revisions/{one.number}")
    return sent(await database.write(revisions.add, order, id, made, reply=reply))


@get("/{id:uuid}/revisions/{number:int}", operation_id="showRevision", summary="One revision")
async def show_revision(
    request: StrictRequest, database: Store, access: Asking, id: Subject, number: Number
) -> Response[Revision]:
    """One revision with its content, as the bytes that were hashed."""
    return shown(request, await database.read(revisions.get, access.organisation, id, number, access.within))


@get("/{id:uuid}/revisions/{number:int}/content", operation_id="showRevisionContent", summary="The hashed bytes")
async def show_content(
    request: StrictRequest, database: Store, access: Asking, id: Subject, number: Number
) -> Response[Content]:
    """The content alone, byte for byte what its digest is of; the digest is the ETag."""
    found = await database.read(revisions.get, access.organisation, id, number, access.within)
    return shown_bytes(request, bytes(found.content), f'"{found.digest}"')


@put("/{id:uuid}/revisions/{number:int}", operation_id="replaceRevision", summary="Replace a draft")
async def replace_revision(
    data: JSONBody[RevisionRequest],
    database: Store,
    order: Ordered,
    expected: Expected,
    id: Subject,
    number: Number,
) -> Response[Revision]:
    """A draft anew, if nobody changed it since it was read."""
    require(order.access.role, Action.SAVE)
    made = await _draft(database, order.access, id, data)
    return sent(await database.write(revisions.replace_draft, order, id, number, made, expected, reply=changed))


@post("/{id:uuid}/revisions/{number:int}/release", operation_id="releaseRevision", summary="Release a revision",
      status_code=200)  # fmt: skip
async def release(
    data: JSONBody[ReleaseRequest],
    database: Store,
    order: Ordered,
    expected: Expected,
    id: Subject,
    number: Number,
) -> Response[RevisionSummary]:
    """Freeze a revision and put it in use; the one in use before is withdrawn as replaced."""
    require(order.access.role, Action.RELEASE)
    told = (data.reason, data.override)
    return sent(await database.write(revisions.release, order, id, number, expected, *told, reply=changed))


@post("/{id:uuid}/revisions/{number:int}/release-provisionally", operation_id="releaseRevisionProvisionally",
      summary="Release a revision to one branch for some days", status_code=200)  # fmt: skip
async def release_provisionally(
    data: JSONBody[ProvisionalReleaseRequest],
    database: Store,
    order: Ordered,
    expected: Expected,
    id: Subject,
    number: Number,
) -> Response[RevisionSummary]:
    """Let one branch use a revision for some days instead of the organisation's; marked provisional wherever shown."""
    require(order.access.role, Action.RELEASE)
    return sent(await database.write(revisions.release_provisionally, order, id, number, expected, data, reply=changed))


@post("/{id:uuid}/revisions/{number:int}/withdraw", operation_id="withdrawRevision", summary="Withdraw a revision",
      status_code=200)  # fmt: skip
async def withdraw(
    data: JSONBody[WithdrawRequest],
    database: Store,
    order: Ordered,
    expected: Expected,
    id: Subject,
    number: Number,
) -> Response[RevisionSummary]:
    """Take a revision out of use: replaced by another, or unsafe."""
    require(order.access.role, Action.WITHDRAW)
    told = (data.reason, Withdrawal(data.because))
    return sent(await database.write(revisions.withdraw, order, id, number, expected, *told, reply=changed))


@get("/{id:uuid}/difference", operation_id="compareRevisions", summary="Two revisions compared")
async def difference(
    database: Store,
    access: Asking,
    told: Told,
    id: Subject,
    before: Compared,
    after: Compared,
    tolerance: Annotated[float, QueryParameter(ge=0, le=1, description="Relative change that does not matter.")] = 0.05,
) -> Difference:
    """What two revisions do differently on the ground, in the trade's terms."""
    contents = []
    for number in (before, after):
        found = await database.read(revisions.get, access.organisation, id, number, access.within)
        contents.append(msgspec.json.decode(found.content, type=Content))
    tell = Telling(told)
    return Difference(
        profile=str(id),
        before=before,
        after=after,
        tolerance=tell.one(Ratio, tolerance),
        changes=differences.changes(*contents, tolerance=tolerance, system=told),
    )


async def _draft(database: Database, access: Access, profile: UUID, data: RevisionRequest) -> Draft:
    """What is stored of a request; the fit is done here, before the write's transaction."""
    require_sound(data)
    found = await database.read(profiles.get, access.organisation, profile)
    material = await database.read(materials.get, access.organisation, UUID(found.material))
    snapshot = msgspec.convert(material, MaterialRequest, from_attributes=True)
    content, found_in_it = completed(data.content, snapshot)
    return Draft(content, digest(content), found_in_it, data.parent, data.note)


router = Router(
    "/v1/profiles",
    route_handlers=[
        page,
        add,
        show,
        page_revisions,
        add_revision,
        show_revision,
        show_content,
        replace_revision,
        release,
        release_provisionally,
        withdraw,
        difference,
    ],
    tags=["profiles"],
    security=SECURED,
    guards=[needs_key],
)
