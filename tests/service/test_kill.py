"""What was acknowledged is stored: over HTTP, through kills and a full disk."""

import sqlite3
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import msgspec

from catchpan.contract.machine_kinds import MachineKindRequest
from catchpan.contract.materials import MaterialRequest
from catchpan.contract.profiles import Content, ProfileRequest, RevisionRequest
from catchpan.errors import CatchpanError
from catchpan_service import admin
from catchpan_service.examples.job import CONTENT, MACHINE_KIND, MATERIAL
from catchpan_service.store.database import Order, Written
from tests.serving import Serving

REQUEST = RevisionRequest(content=msgspec.convert(CONTENT, Content))


def profile_on(client):
    material = client.add_material(msgspec.convert(MATERIAL, MaterialRequest))
    kind = client.add_machine_kind(msgspec.convert(MACHINE_KIND, MachineKindRequest))
    return client.add_profile(ProfileRequest(material=material.id, machine_kind=kind.id, name="kept")).id


def saves(serving, profile, count, acknowledged, stopping):
    with serving.client(deadline=2) as client:
        for _ in range(count):
            if stopping.is_set():
                return
            try:
                made = client.add_revision(profile, REQUEST)
            except CatchpanError:
                return
            acknowledged[made.number] = made.digest


def test_a_killed_service_has_every_revision_that_it_acknowledged(tmp_path):
    acknowledged, stopping = {}, threading.Event()
    with Serving(tmp_path) as serving, ThreadPoolExecutor(8) as pool:
        with serving.client() as client:
            profile = profile_on(client)
        writers = [pool.submit(saves, serving, profile, 25, acknowledged, stopping) for _ in range(8)]
        while len(acknowledged) < 80:
            time.sleep(0.005)
        serving.kill()
        stopping.set()
        for writer in writers:
            writer.result()
    assert 80 <= len(acknowledged) < 200
    with Serving(tmp_path) as serving, serving.client() as client:
        kept = {one.number: one.digest for one in client.all_revisions(profile)}
    assert acknowledged.items() <= kept.items()
    with sqlite3.connect(tmp_path / "x.sqlite") as database:
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def cap_pages(connection, organisation, stamp, more):
    """Leave room for some more pages only: a disk that fills up."""
    pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
    connection.exec_driver_sql(f"PRAGMA max_page_count={pages + more}")
    return Written(None, ())


def test_a_full_disk_answers_503_and_keeps_exactly_what_was_acknowledged(app, client):
    profile = profile_on(client)
    database = app.state.database
    order = Order(admin.administrator(database, "Alder Hollow Grounds"), "cap")
    database.write_now(cap_pages, order, 12)
    with ThreadPoolExecutor(16) as pool:
        answers = list(pool.map(lambda number: save(client, profile, number), range(400)))
    database.write_now(cap_pages, order, 100_000)
    acknowledged = {answer["number"]: answer["digest"] for status, answer in answers if status == 201}
    refused = [answer["type"] for status, answer in answers if status != 201]
    assert acknowledged
    assert set(refused) == {"/problems/storage"}
    assert {one.number: one.digest for one in client.all_revisions(profile)} == acknowledged
    assert client.add_revision(profile, REQUEST).number == len(acknowledged) + 1


def save(client, profile, number):
    """One plain request: no retries."""
    content = msgspec.structs.replace(REQUEST.content, note=f"save {number} " + "x" * 1500, pan_tests=[])
    body = msgspec.json.encode(msgspec.structs.replace(REQUEST, content=content))
    path, headers = f"/v1/profiles/{profile}/revisions", {"content-type": "application/json"}
    answer = client._http.post(path, content=body, headers=headers)
    return answer.status_code, answer.json()
