"""A real HTTP server on loopback that takes the messages of webhooks, and answers as a test says."""

import ssl
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import TracebackType
from typing import Any, Self

Answer = tuple[int, dict[str, str]]


@dataclass
class Received:
    """One request as it arrived."""

    path: str
    headers: dict[str, str]
    body: bytes


class _Server(ThreadingHTTPServer):
    request_queue_size = 128

    def handle_error(self, *_: Any) -> None:
        """Say nothing of a caller who left."""


@dataclass
class Receiver:
    """Notes what arrives; ``answers`` are used up one by one, the last of them for all that follows."""

    answers: list[Answer] = field(default_factory=lambda: [(204, {})])
    hang: float = 0.0
    got: list[Received] = field(default_factory=list)
    reached: threading.Event = field(default_factory=threading.Event)
    certificate: tuple[str, str] | None = None

    def __enter__(self) -> Self:
        self._server = _Server(("127.0.0.1", 0), _handler(self.take))
        if self.certificate is not None:
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            context.load_cert_chain(*self.certificate)
            self._server.socket = context.wrap_socket(self._server.socket, server_side=True)
        threading.Thread(target=self._server.serve_forever, daemon=True).start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._server.shutdown()
        self._server.server_close()

    @property
    def port(self) -> int:
        return int(self._server.server_address[1])

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}/changes?from=catchpan"

    @property
    def ids(self) -> list[str]:
        return [one.headers["webhook-id"] for one in self.got]

    def take(self, received: Received) -> Answer:
        self.got.append(received)
        self.reached.set()
        time.sleep(self.hang)
        return self.answers.pop(0) if len(self.answers) > 1 else self.answers[0]


def _handler(take: Callable[[Received], Answer]) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"]))
            told = {name.lower(): value for name, value in self.headers.items()}
            status, headers = take(Received(self.path, told, body))
            self.send_response(status)
            for name, value in headers.items():
                self.send_header(name, value)
            self.end_headers()

        def do_GET(self) -> None:
            take(Received(self.path, {"webhook-id": "GET"}, b""))
            self.send_response(200)
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            """Say nothing on standard error."""

    return Handler
