"""A real service in a process of its own, on loopback, for tests that kill it or talk to it over a socket."""

import os
import re
import signal
import subprocess
import sys
import threading
from pathlib import Path
from types import TracebackType
from typing import Self

from catchpan import Catchpan


class Serving:
    """``catchpan serve`` on a folder's database; the first key is in ``owner.key`` beside it."""

    def __init__(self, folder: Path, options: tuple[str, ...] = (), **settings: str) -> None:
        self.folder = folder
        self._options = options
        self._settings = settings
        self._key_file = folder / "owner.key"

    def __enter__(self) -> Self:
        command = [sys.executable, "-m", "catchpan", "serve", "--port", "0", "--key-file", str(self._key_file)]
        command += self._options
        environment = {**os.environ, "CATCHPAN_DATABASE": str(self.folder / "x.sqlite"), **self._settings}
        self.process = subprocess.Popen(command, stderr=subprocess.PIPE, text=True, env=environment, cwd=self.folder)
        self.said = []
        for line in self.process.stderr:
            self.said.append(line)
            if found := re.search(r"listens on (http://\S+);", line):
                self.url = found[1]
                break
        else:
            raise RuntimeError("".join(self.said))
        # Read on: a service whose standard error nobody reads stops when the pipe is full.
        self._listener = threading.Thread(target=lambda: self.said.extend(self.process.stderr))
        self._listener.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        self.process.wait(timeout=30)
        self._listener.join()
        self.process.stderr.close()

    @property
    def key(self) -> str:
        return self._key_file.read_text().strip()

    def client(self, **options: float) -> Catchpan:
        return Catchpan(self.url, key=self.key, **options)

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()
