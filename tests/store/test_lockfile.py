"""One process at a time works on a database file, and an old SQLite is warned of."""

import os
import sqlite3
import subprocess
import sys
from contextlib import closing

import pytest

from catchpan.contract.materials import MaterialRequest
from catchpan_service.store import materials
from catchpan_service.store.errors import Busy, Held
from catchpan_service.store.lockfile import LockFile
from catchpan_service.store.writes import Written
from tests.store.office import do, open_database
from tests.store.test_faults import TOP

HOLD = """
import sys
from pathlib import Path
from catchpan_service.store.lockfile import LockFile
held = LockFile(Path(sys.argv[1]))
print("held", flush=True)
sys.stdin.read()
"""


@pytest.fixture
def place(file):
    return file


@pytest.fixture
def holder(path):
    command = [sys.executable, "-c", HOLD, str(path)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=TOP) as process:
        assert process.stdout.readline() == "held\n"
        yield process
        process.kill()


def test_a_file_in_use_by_another_process_is_refused_and_its_number_told(path, holder):
    with pytest.raises(Held, match=f"in use by process {holder.pid};") as refused:
        open_database(path)
    assert (refused.value.pid, refused.value.path) == (holder.pid, path)
    assert not path.exists()


def test_the_lock_ends_with_its_process_however_that_ends(path, holder):
    holder.kill()
    holder.wait()
    open_database(path).close()


def test_a_second_database_on_the_file_is_refused_in_the_same_process_too(path, database):
    with pytest.raises(Held, match=f"process {os.getpid()};"):
        open_database(path)


def test_a_way_around_by_a_link_is_refused(path, tmp_path, database):
    link = tmp_path / "link.sqlite"
    link.symlink_to(path)
    with pytest.raises(Held):
        open_database(link)


def test_a_failed_opening_lets_go_of_the_lock(path):
    path.write_bytes(b"this is not a database" * 100)
    with pytest.raises(Exception, match="not a database"):
        open_database(path)
    LockFile(path).release()


def test_a_shorter_process_number_leaves_nothing_of_a_longer_one(path):
    lock = path.with_name(path.name + ".lock")
    lock.write_text("123456789012\n")
    LockFile(path).release()
    assert lock.read_text() == f"{os.getpid()}\n"


def test_an_sqlite_that_can_damage_files_is_warned_of_at_the_start(path, caplog, monkeypatch):
    for version, warned in (((3, 51, 2), True), ((3, 51, 3), False), ((3, 40, 1), True), ((4, 0, 0), False)):
        monkeypatch.setattr(sqlite3, "sqlite_version_info", version)
        caplog.clear()
        open_database(path).close()
        assert ("versions before 3.51.3 can damage" in caplog.text) == warned


def test_a_location_is_a_path_or_an_address_of_a_file(path):
    open_database(path).close()
    open_database(f"sqlite:///{path}", migrate=False).close()
    with pytest.raises(ValueError, match="cannot be used here: mysql"):
        open_database("mysql://somewhere/catchpan")


def test_each_connection_is_set_for_safety(database, office):
    def settings(connection, *_):
        return [connection.exec_driver_sql(f"PRAGMA {name}").scalar_one() for name in ("foreign_keys", "synchronous")]

    assert database.read_now(settings, office.organisation) == [1, 2]
    assert do(database, office, lambda *given: Written(settings(*given), ())) == [1, 2]


def test_a_file_that_another_program_holds_too_long_is_busy_and_free_again_later(database, path, office):
    def impatient(connection, organisation, stamp):
        connection.exec_driver_sql("PRAGMA busy_timeout=20")
        return Written(None, ())

    do(database, office, impatient)
    with closing(sqlite3.connect(path, isolation_level=None)) as backup:
        backup.execute("BEGIN IMMEDIATE")
        with pytest.raises(Busy):
            do(database, office, materials.add, MaterialRequest(name="Too early"))
        backup.execute("ROLLBACK")
    assert do(database, office, materials.add, MaterialRequest(name="In time")).version == 1
