"""Around every request: its id, one JSON line on standard error, an honest ``Allow``, HEAD where there is GET."""

import json
import re
import sys
import time
import traceback
from collections.abc import Callable
from typing import Any
from uuid import UUID

from litestar import Litestar
from litestar.enums import ScopeType
from litestar.routes import BaseRoute
from litestar.types import ASGIApp, HTTPScope, Message, Receive, Scope, Send

REQUEST_ID = "catchpan.request"
ORGANISATION = "catchpan.organisation"
BODY = "catchpan.body"
ACCESS = "catchpan.access"


class Envelope:
    """ASGI middleware outside the router, so that unknown paths and methods are answered and logged alike."""

    def __init__(self, inner: ASGIApp, app: Litestar, new_id: Callable[[], UUID], *, log: bool) -> None:
        self._inner = inner
        self._new_id = new_id
        self._log = log
        self._table = [(_pattern(route.path), _methods(route)) for route in app.routes]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer OPTIONS from the router's own table and HEAD as GET without its body, and pass all else on."""
        if scope["type"] != ScopeType.HTTP:
            await self._inner(scope, receive, send)
            return
        started = time.perf_counter()
        path, bare = scope["path"], scope["method"] == "HEAD"
        asked: HTTPScope = _as_get(scope) if bare and "GET" in self._allowed(path) else scope
        answer = _Answer(send, str(self._new_id()), lambda: self._allowed(path), bare=bare)
        asked[REQUEST_ID] = answer.request_id  # type: ignore[literal-required]
        try:
            if asked["method"] == "OPTIONS" and self._allowed(path):
                await _send_allow(answer)
            else:
                await self._inner(asked, receive, answer)
        finally:
            if self._log:
                _log(asked, answer.request_id, answer.status, (time.perf_counter() - started) * 1000)

    def _allowed(self, path: str) -> list[str]:
        found = {method for pattern, methods in self._table if pattern.fullmatch(path) for method in methods}
        return sorted(found)


class _Answer:
    """What is sent, with the id of the request, all the methods in ``Allow``, and no body where it is ``bare``."""

    def __init__(self, send: Send, request_id: str, allowed: Callable[[], list[str]], *, bare: bool) -> None:
        self._send = send
        self.request_id = request_id
        self._allowed = allowed
        self._bare = bare
        self.status = 0

    async def __call__(self, message: Message) -> None:
        """Send one message of the answer."""
        if message["type"] == "http.response.start":
            self.status = message["status"]
            headers = [self._honest(header) for header in message["headers"]]
            message["headers"] = [*headers, (b"request-id", self.request_id.encode())]
        elif self._bare and message["type"] == "http.response.body":
            message["body"] = b""
        await self._send(message)

    def _honest(self, header: tuple[bytes, bytes]) -> tuple[bytes, bytes]:
        return (b"allow", ", ".join(self._allowed()).encode()) if header[0].lower() == b"allow" else header


def _methods(route: BaseRoute) -> set[str]:
    found = set(getattr(route, "methods", ()))
    return found | {"OPTIONS"} | ({"HEAD"} if "GET" in found else set())


def _as_get(scope: HTTPScope) -> HTTPScope:
    """A request for the same by GET; the server's own scope stays, since it sends no body by the method in there."""
    return {**scope, "method": "GET"}


def _pattern(path: str) -> re.Pattern[str]:
    return re.compile(re.sub(r"\\\{[^/]*?\\\}", "[^/]+", re.escape(path)))


async def _send_allow(send: Send) -> None:
    await send({"type": "http.response.start", "status": 204, "headers": [(b"allow", b"")]})
    await send({"type": "http.response.body", "body": b"", "more_body": False})


def _log(scope: Any, request_id: str, status: int, milliseconds: float) -> None:
    handler = scope.get("route_handler")
    line = {
        "id": request_id,
        "operation": getattr(handler, "operation_id", None) or f"{scope['method']} ?",
        "status": status,
        "ms": round(milliseconds, 2),
        "organisation": scope.get(ORGANISATION),
    }
    print(json.dumps(line), file=sys.stderr, flush=True)


def log_mistake(request_id: str, error: Exception) -> None:
    """One line for an unforeseen exception: where, not with what (values may be secret)."""
    frames = [f"{frame.filename}:{frame.lineno} {frame.name}" for frame in traceback.extract_tb(error.__traceback__)]
    line = {"id": request_id, "mistake": type(error).__name__, "at": frames[-8:]}
    print(json.dumps(line), file=sys.stderr, flush=True)
