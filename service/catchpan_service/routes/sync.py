"""The feed, manifests, heads and snapshots: how a branch comes to hold what was released, and proves it."""

from typing import Annotated, Any

from litestar import Response, Router, get
from litestar.params import QueryParameter

from catchpan.contract.sync import MAX_WAIT, FeedPage, ManifestAnswer, SignedHead, SigningKeys, SnapshotPage, SyncStatus
from catchpan_service.routes.asking import SECURED, After, Asking, Limit, Proven, Store, Within, needs_key
from catchpan_service.routes.replies import encoded, holds, shown_bytes, unchanged
from catchpan_service.rules.access import Action, require
from catchpan_service.store import signers
from catchpan_service.strict import StrictRequest

At = Annotated[
    int | None, QueryParameter(name="at", ge=0, lt=2**53, description="A position of the feed; by default the last.")
]
Wait = Annotated[
    float, QueryParameter(name="wait", ge=0, le=MAX_WAIT, description="Seconds to wait for a change, if there is none.")
]
WithContents = Annotated[
    bool, QueryParameter(name="contents", description="Whether holdings that began come with their content.")
]


@get("/changes", operation_id="listChanges", summary="The feed")
async def changes(
    request: StrictRequest,
    database: Store,
    proofs: Proven,
    access: Asking,
    within: Within,
    after: After = None,
    wait: Wait = 0,
    limit: Limit = 100,
    contents: WithContents = False,
) -> Response[FeedPage]:
    """Changes after a cursor, in the order in which they were stored, none left out and none twice.

    Without ``after`` from the beginning. 304 only where If-None-Match names the cursor and nothing has followed it;
    410 where the changes can no longer be told: take a snapshot, and replace by it what is held.
    """
    place, writes = (access.organisation, within), database.writes_heard(access.organisation)
    if after is not None and not wait and proofs.is_end(*place, after, writes) and holds(request, f'"{after}"'):
        return unchanged(f'"{after}"')
    asked: Any = (proofs.changes, *place, after, limit, contents)
    page = await database.read(*asked)
    if wait and not page.items:
        await database.wait_beyond(access.organisation, page.complete_through, wait)
        page = await database.read(*asked)
    elif not page.more:
        proofs.remember_end(*place, page.next, writes)
    return shown_bytes(request, encoded(page), f'"{page.next}"')


@get("/manifest", operation_id="showManifest", summary="What a scope should hold")
async def manifest(
    request: StrictRequest, database: Store, proofs: Proven, access: Asking, within: Within, at: At = None
) -> Response[ManifestAnswer]:
    """The manifest of the organisation or of a branch, now or at a position, and what differs from it."""
    told = await database.read_apart(proofs.manifest, access.organisation, within, at)
    return shown_bytes(request, encoded(told), f'"{told.manifest_digest}{told.exceptions_digest}"')


@get("/head", operation_id="showHead", summary="The signed head")
async def head(
    request: StrictRequest, database: Store, proofs: Proven, access: Asking, within: Within, at: At = None
) -> Response[SignedHead]:
    """The digests of a scope at a position, signed: every process makes the same bytes."""
    now = request.app.state.clock()
    told = await database.read_apart(proofs.head, access.organisation, within, at, now)
    return shown_bytes(request, encoded(told), f'"{told.signature[:32]}"')


@get("/snapshot", operation_id="showSnapshot", summary="Everything that a scope holds, page by page")
async def snapshot(
    database: Store, proofs: Proven, access: Asking, within: Within, after: After = None, limit: Limit = 100
) -> SnapshotPage:
    """Every line of a manifest with its content, all as of the position of the first page."""
    return await database.read_apart(proofs.snapshot, access.organisation, within, after, limit)


@get("/signing-keys", operation_id="listSigningKeys", summary="The keys that sign heads")
async def signing_keys(database: Store, access: Asking) -> SigningKeys:
    """All public keys, oldest first, each but the first signed by the one before it."""
    return await database.read(signers.all_of_them, access.organisation)


@get("/sync/status", operation_id="showSyncStatus", summary="Which branch holds what")
async def status(database: Store, proofs: Proven, access: Asking) -> SyncStatus:
    """Every branch: in step, behind, different, or never heard of; since when, and why."""
    require(access.role, Action.OVERSEE)
    return await database.read_apart(proofs.status, access.organisation)


router = Router(
    "/v1",
    route_handlers=[changes, manifest, head, snapshot, signing_keys, status],
    tags=["sync"],
    security=SECURED,
    guards=[needs_key],
)
