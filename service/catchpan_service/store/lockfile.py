"""A lock file beside the database file: one process at a time works on it."""

import os
import sys
from pathlib import Path

from catchpan_service.store.errors import Held

_BEYOND = 4096  # Windows locks bytes against reading too, so the locked one lies behind the text.


class LockFile:
    """Held from its making to ``release``, or to the end of the process, however that comes.

    Held, with the holder's process number, if another process (or another part of this one) holds it.
    """

    def __init__(self, database: Path) -> None:
        self._file = os.open(database.with_name(database.name + ".lock"), os.O_RDWR | os.O_CREAT, 0o600)
        try:
            _lock(self._file)
        except OSError as error:
            pid = _pid(self._file)
            os.close(self._file)
            raise Held(database, pid) from error
        os.ftruncate(self._file, 0)
        os.write(self._file, f"{os.getpid()}\n".encode())

    def release(self) -> None:
        """Let another process work on the file; the lock file itself stays."""
        os.close(self._file)


def _pid(file: int) -> int | None:
    text = os.read(file, 20).strip()
    return int(text) if text.isdigit() else None


if sys.platform == "win32":
    import msvcrt

    def _lock(file: int) -> None:
        os.lseek(file, _BEYOND, os.SEEK_SET)
        msvcrt.locking(file, msvcrt.LK_NBLCK, 1)
        os.lseek(file, 0, os.SEEK_SET)

else:
    import fcntl

    def _lock(file: int) -> None:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
