"""What was acknowledged is stored: over HTTP, through kills and a full disk."""

import random
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import msgspec
import pytest

from catchpan.contract.machine_kinds import MachineKindRequest
from catchpan.contract.materials import MaterialRequest
from catchpan.contract.profiles import Content, ProfileRequest, RevisionRequest
from catchpan.errors import CatchpanError
from catchpan_service import admin
from catchpan_service.examples.job import CONTENT, MACHINE_KIND, MATERIAL
from catchpan_service.store import audit
from catchpan_service.store.database import Order, Written
from tests.serving import Serving

REQUEST = RevisionRequest(content=msgspec.convert(CONTENT, Content))


def profile_on(client):
    material = client.add_material(msgspec.convert(MATERIAL, MaterialRequest))
    kind = client.add_machine_kind(msgspec.convert(MACHINE_KIND, MachineKindRequest))
    return client.add_profile(ProfileRequest(material=material.id, machine_kind=kind.id, name="kept")).id


def saves(serving, profile, acknowledged, stopping):
    with serving.client(deadline=1) as client:
        while not stopping.is_set():
            try:
                made = client.add_revision(profile, REQUEST)
            except CatchpanError:
                return
            acknowledged[made.number] = made.digest


def killed_after(serving, profile, count):
    """What eight writers were told before the service was killed under them."""
    acknowledged, stopping = {}, threading.Event()
    with ThreadPoolExecutor(8) as pool:
        writers = [pool.submit(saves, serving, profile, acknowledged, stopping) for _ in range(8)]
        while len(acknowledged) < count and not all(writer.done() for writer in writers):
            time.sleep(0.001)
        serving.kill()
        stopping.set()
        for writer in writers:
            writer.result()
    return acknowledged


@pytest.mark.parametrize("kills", [1, pytest.param(200, marks=pytest.mark.long)])
def test_a_killed_service_has_every_revision_that_it_acknowledged(own_place, tmp_path, kills):
    acknowledged, profile, draw = {}, None, random.Random(kills)
    settings = {"CATCHPAN_DATABASE": own_place.location}
    for _ in range(kills):
        with Serving(tmp_path, **settings) as serving:
            if profile is None:
                with serving.client() as client:
                    profile = profile_on(client)
            acknowledged |= killed_after(serving, profile, draw.randint(1, 60))
        if own_place.outside.dialect.name == "sqlite":
            assert own_place.rows("PRAGMA integrity_check") == [("ok",)]
    with Serving(tmp_path, **settings) as serving, serving.client() as client:
        kept = {one.number: one.digest for one in client.all_revisions(profile)}
    assert len(acknowledged) >= kills
    assert acknowledged.items() <= kept.items()
    assert sorted(kept) == list(range(1, len(kept) + 1))
    with own_place.open() as database:
        (office,) = admin.list_organisations(database)
        assert database.read_now(audit.verify, office.id) == []


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
