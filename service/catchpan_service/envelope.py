"""Around every request: its id, one JSON line on standard error, and an honest ``Allow``."""

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
from litestar.types import ASGIApp, Message, Receive, Scope, Send

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
        self._table = [(_pattern(route.path), sorted(set(route.methods) | {"OPTIONS"})) for route in app.routes]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer OPTIONS from the router's own table, and pass all else on."""
        if scope["type"] != ScopeType.HTTP:
            await self._inner(scope, receive, send)
            return
        started = time.perf_counter()
        request_id = str(self._new_id())
        scope[REQUEST_ID] = request_id  # type: ignore[literal-required]
        status = 0

        async def numbered(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                message["headers"] = [*message["headers"], (b"request-id", request_id.encode())]
            await send(message)

        try:
            if scope["method"] == "OPTIONS" and (allowed := self._allowed(scope["path"])):
                await _send_allow(numbered, allowed)
            else:
                await self._inner(scope, receive, numbered)
        finally:
            if self._log:
                _log(scope, request_id, status, (time.perf_counter() - started) * 1000)

    def _allowed(self, path: str) -> list[str]:
        found = {method for pattern, methods in self._table if pattern.fullmatch(path) for method in methods}
        return sorted(found)


def _pattern(path: str) -> re.Pattern[str]:
    return re.compile(re.sub(r"\\\{[^/]*?\\\}", "[^/]+", re.escape(path)))


async def _send_allow(send: Send, methods: list[str]) -> None:
    allow = ", ".join(methods).encode()
    await send({"type": "http.response.start", "status": 204, "headers": [(b"allow", allow)]})
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
