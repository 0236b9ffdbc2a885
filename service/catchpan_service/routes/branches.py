"""``/v1/branches``: the sites of a company, and what their replicas say that they hold."""

from uuid import UUID

from litestar import Response, Router, get, post, put
from litestar.params import JSONBody

from catchpan.contract.branches import Branch, BranchPage, BranchRequest
from catchpan.contract.sync import ReplicaReport
from catchpan_service.routes.asking import SECURED, After, Asking, Expected, Limit, Ordered, Store, Subject, needs_key
from catchpan_service.routes.replies import added, changed, paged, sent, shown, unversioned
from catchpan_service.rules.access import Action, require
from catchpan_service.store import branches, replicas
from catchpan_service.store.database import Access
from catchpan_service.store.errors import NotFound
from catchpan_service.strict import StrictRequest


@get("/", operation_id="listBranches", summary="Branches, page by page")
async def page(
    request: StrictRequest, database: Store, access: Asking, after: After = None, limit: Limit = 50
) -> Response[BranchPage]:
    """Branches of the organisation, oldest first; for a branch's key its own."""
    if access.within is None:
        return paged(request, await database.read(branches.page, access.organisation, after, limit))
    own = [] if access.branch is None else [await database.read(branches.get, access.organisation, access.branch)]
    return paged(request, BranchPage(items=own, next=None))


@post("/", operation_id="addBranch", summary="Add a branch")
async def add(data: JSONBody[BranchRequest], database: Store, order: Ordered) -> Response[Branch]:
    """A new branch; its name must be free."""
    require(order.access.role, Action.ARRANGE)
    reply = added(lambda made: f"/v1/branches/{made.id}")
    return sent(await database.write(branches.add, order, data, reply=reply))


@get("/{id:uuid}", operation_id="showBranch", summary="One branch")
async def show(request: StrictRequest, database: Store, access: Asking, id: Subject) -> Response[Branch]:
    """One branch of the organisation."""
    _require_own(access, id)
    return shown(request, await database.read(branches.get, access.organisation, id))


@put("/{id:uuid}", operation_id="replaceBranch", summary="Replace a branch")
async def replace(
    data: JSONBody[BranchRequest], database: Store, order: Ordered, expected: Expected, id: Subject
) -> Response[Branch]:
    """A branch anew, if nobody changed it since it was read."""
    require(order.access.role, Action.ARRANGE)
    return sent(await database.write(branches.replace, order, id, data, expected, reply=changed))


@post("/{id:uuid}/replica", operation_id="reportReplica", summary="Say what the replica of a branch holds",
      status_code=200)  # fmt: skip
async def report(
    data: JSONBody[ReplicaReport], database: Store, order: Ordered, id: Subject
) -> Response[ReplicaReport]:
    """What the replica of a branch holds, from its own verification; see ``/v1/sync/status``."""
    require(order.access.role, Action.REPORT)
    _require_own(order.access, id)
    return sent(await database.write(replicas.report, order, id, data, reply=unversioned))


def _require_own(access: Access, branch: UUID) -> None:
    """A branch's key sees its own branch; another's is not there."""
    if access.within not in {None, branch}:
        raise NotFound("branch", branch)


router = Router(
    "/v1/branches",
    route_handlers=[page, add, show, replace, report],
    tags=["sync"],
    security=SECURED,
    guards=[needs_key],
)
