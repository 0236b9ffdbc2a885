"""Everything is wired here, in one function."""

from collections.abc import Callable
from contextlib import AbstractAsyncContextManager
from datetime import UTC, datetime
from functools import cache
from typing import Any
from uuid import UUID

from litestar import Litestar, Request, Response
from litestar.datastructures import State
from litestar.routes import HTTPRoute
from litestar.types import ControllerRouterHandler
from uuid_utils.compat import uuid7

from catchpan.contract.problems import Fault, Slug
from catchpan_service import admin, document, examples, forms
from catchpan_service.deliverer import Deliverer, delivering
from catchpan_service.envelope import BODY, REQUEST_ID, Envelope, log_mistake
from catchpan_service.keyring import Keyring
from catchpan_service.problems import Refusal, answer, problem_of
from catchpan_service.routes import (
    branches,
    bulk,
    calendars,
    commissionings,
    computations,
    compute,
    corrections,
    dues,
    health,
    keys,
    machine_checks,
    machine_kinds,
    machines,
    materials,
    organisation,
    profiles,
    rollouts,
    running,
    sync,
    totals,
    webhooks,
)
from catchpan_service.routes.asking import DEPENDENCIES
from catchpan_service.scheduler import advancing
from catchpan_service.sender import Sender
from catchpan_service.settings import Settings
from catchpan_service.store.database import Database
from catchpan_service.store.proofs import Proofs
from catchpan_service.strict import StrictRequest

Clock = Callable[[], datetime]
IdMaker = Callable[[], UUID]
Lifespan = Callable[[Litestar], AbstractAsyncContextManager[None]]

HANDLERS: list[ControllerRouterHandler] = [
    health.health,
    health.ready,
    organisation.show,
    compute.router,
    materials.router,
    machine_kinds.router,
    profiles.router,
    branches.router,
    machines.router,
    commissionings.router,
    corrections.router,
    running.router,
    machine_checks.router,
    totals.router,
    dues.router,
    calendars.show,
    rollouts.router,
    bulk.router,
    keys.router,
    webhooks.router,
    sync.router,
]
EXAMPLES: dict[str, Any] = examples.EXAMPLES | computations.examples()


def system_clock() -> datetime:
    """Now, in UTC and whole milliseconds."""
    now = datetime.now(UTC)
    return now.replace(microsecond=now.microsecond // 1000 * 1000)


def create_app(
    settings: Settings,
    *,
    clock: Clock = system_clock,
    new_id: IdMaker = uuid7,
    stores: bool = True,
    local: bool = False,
) -> Litestar:
    """The service: computations, and profiles kept in the database of the settings.

    Parameters
    ----------
    settings : Settings
    clock, new_id : callable
        The instant now, and a new UUIDv7.
    stores : bool
        False for computations alone, without a database.
    local : bool
        True for work on one machine: who asks without a key is the owner of the organisation in the settings.

    Raises
    ------
    StoreError
        The database cannot be opened; Held where another process works on it.
    """
    database = _open(settings, clock, new_id) if stores else None
    owner = admin.local_owner_of(database, settings.organisation, new_id=new_id) if database and local else None
    app = Litestar(
        [*HANDLERS, document.served(HANDLERS, DEPENDENCIES, EXAMPLES)],
        request_class=StrictRequest,
        request_max_body_size=settings.max_body,
        dependencies=DEPENDENCIES,
        exception_handlers={Exception: _refuse},
        state=State(
            {
                "database": database,
                "keyring": Keyring(),
                "proofs": Proofs(),
                "clock": clock,
                "local_owner": owner,
                "compute_needs_key": settings.compute_needs_key,
                "webhooks_private": settings.webhooks_private,
            }
        ),
        before_request=_look_before,
        lifespan=_going_on(database, settings, clock) if database else [],
        on_shutdown=[database.close] if database else [],
        openapi_config=None,
        logging_config=None,
    )
    app.asgi_handler = Envelope(app.asgi_handler, app, new_id, log=settings.log_requests)
    return app


def _open(settings: Settings, clock: Clock, new_id: IdMaker) -> Database:
    return Database.open(
        settings.location,
        clock=clock,
        new_id=new_id,
        room=settings.max_waiting,
        connections=settings.database_connections,
    )


def _going_on(database: Database, settings: Settings, clock: Clock) -> list[Lifespan]:
    """What goes on by itself while the service runs."""
    found = []
    if settings.rollouts_every:
        found.append(advancing(database, settings.rollouts_every))
    if settings.webhooks_every:
        sender = Sender(clock, private=settings.webhooks_private)
        found.append(delivering(Deliverer(database, sender), settings.webhooks_every))
    return found


def _look_before(request: Request[Any, Any, Any]) -> None:
    """What is looked at of every request before its handler is."""
    _refuse_other_forms(request)
    _refuse_unknown_parameters(request)


def _refuse_other_forms(request: Request[Any, Any, Any]) -> None:
    """An answer that can be given in no form that the caller takes is not made."""
    handler: Any = request.scope["route_handler"]
    listed = forms.is_list(handler.parsed_return_field.annotation)
    offered = list(forms.OF_LISTS) if listed else [handler.media_type or forms.JSON]
    accept = request.headers.get("accept")
    if forms.chosen(accept, offered) is None:
        allowed = " or ".join(offered)
        fault = Fault(
            pointer="/Accept", code="no_such_form", detail="no form of this answer", given=accept, allowed=allowed
        )
        raise Refusal(Slug.NOT_ACCEPTABLE, f"This answer comes as {allowed}", errors=[fault])


def _refuse_unknown_parameters(request: Request[Any, Any, Any]) -> None:
    """A mistyped query parameter is refused by name, like a mistyped member of a body."""
    known = parameters(request.scope["app"], request.scope["path_template"], request.method)
    for name in request.query_params:
        if name not in known:
            allowed = ", ".join(sorted(known)) or "none"
            fault = Fault(pointer=f"/{name}", code="unknown_parameter", detail="unknown parameter", allowed=allowed)
            raise Refusal(Slug.UNREADABLE, f"There is no parameter {name} here; allowed: {allowed}", errors=[fault])
        given = request.query_params.getall(name)
        if len(given) > 1 or given == ["null"]:
            fault = Fault(
                pointer=f"/{name}", code="bad_parameter", detail="not one value", given=given, allowed="one value"
            )
            raise Refusal(Slug.UNREADABLE, f"The parameter {name} needs one value, or is left out", errors=[fault])


@cache
def parameters(app: Litestar, path: str, method: str) -> frozenset[str]:
    """The query parameters of an operation, by the router's own table."""
    for route in app.routes:
        if isinstance(route, HTTPRoute) and route.path_format == path and method in route.route_handler_map:
            model = route.route_handler_map[method][1]  # type: ignore[index]
            return frozenset(one.field_alias for one in model.expected_query_params)
    return frozenset()


def _refuse(request: Request[Any, Any, Any], error: Exception) -> Response[bytes]:
    """Any exception as a problem."""
    scope: dict[str, Any] = request.scope  # type: ignore[assignment]
    found, headers = problem_of(error, request, scope.get(BODY, b""))
    if found.status == 500:
        log_mistake(scope.get(REQUEST_ID, ""), error)
    return answer(found, scope.get(REQUEST_ID, ""), headers)
