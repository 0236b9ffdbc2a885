"""The feed keeps its six promises while others write, readers come and go, and services are killed."""

import random
import threading
from contextlib import ExitStack
from dataclasses import replace

import pytest

from catchpan.contract.materials import MaterialRequest
from catchpan.contract.profiles import Content, RevisionRequest
from catchpan.errors import CatchpanError
from tests.histories import PROMISES, Fetched, History, Seen, atomic, fetched, ordered, unique
from tests.service.test_kill import profile_on
from tests.serving import Serving
from tests.store.places import server_place

WRITERS, READERS, WRITES = 3, 2, 12


def write(client, profile, seed, history, stopping):
    """Materials, one change each, and drafts, two each; what was acknowledged is noted."""
    draw = random.Random(seed)
    for n in range(WRITES):
        if stopping.is_set():
            return
        try:
            if draw.random() < 0.5:
                made = client.add_material(MaterialRequest(name=f"{seed} {n}"))
                history.acknowledged.add(("material", made.id))
            else:
                content = Content(format=1, note=f"{seed} {n}")
                made = client.add_revision(profile, RevisionRequest(content=content))
                history.acknowledged.add(("revision", f"{profile}/{made.number}"))
        except CatchpanError:
            return  # killed: nobody knows


class Reader:
    """Follows the feed by pages of a few changes; now and then it forgets its connection, and asks twice."""

    def __init__(self, seed):
        self.draw = random.Random(seed)
        self.pages = []
        self.again = []

    @property
    def after(self):
        return self.pages[-1].next if self.pages else None

    def follow(self, clients, stopping):
        """Until it is told to stop and there is nothing new; or until the service is gone."""
        try:
            while True:
                last = stopping.is_set()
                with self.draw.choice(clients)() as client:
                    more = self.ask(client)
                if last and not more:
                    return
        except CatchpanError:
            return

    def ask(self, client):
        for _ in range(self.draw.randint(1, 4)):
            limit = self.draw.randint(1, 5)
            page = client.changes(after=self.after, limit=limit, wait=0.05)
            self.pages.append(fetched(self.after, page))
            if self.draw.random() < 0.2:
                kept = self.draw.choice(self.pages).after
                self.again.append(fetched(kept, client.changes(after=kept, limit=limit)))
        return page.more or bool(page.items)


def phase(services, profile, seed, history, readers, *, killed):
    """Writers and readers at once; the first service is killed in the middle where that is asked for."""
    stopping, enough = threading.Event(), threading.Event()
    clients = [lambda one=one: one.client(deadline=3) for one in services]
    draw = random.Random(seed)
    threads = [threading.Thread(target=reader.follow, args=(clients, enough)) for reader in readers]
    writers = []
    with ExitStack() as held:
        for n in range(WRITERS):
            client = held.enter_context(draw.choice(clients)())
            given = (client, profile, f"{seed} {killed} {n}", history, stopping)
            writers.append(threading.Thread(target=write, args=given))
        for one in (*threads, *writers):
            one.start()
        if killed:
            threading.Event().wait(draw.uniform(0.02, 0.3))
            services[0].kill()
            stopping.set()
        for one in writers:
            one.join()
        enough.set()
        for one in threads:
            one.join()


def recorded(folder, seed, count, **settings):
    """A history of so many services on one database: one of them is killed, all are started again."""
    history, readers, profile = History(), [Reader(seed * 10 + n) for n in range(READERS)], None
    for killed in (True, False):
        with ExitStack() as held:
            services = [held.enter_context(Serving(folder, **settings)) for _ in range(count)]
            if profile is None:
                with services[0].client() as client:
                    profile = profile_on(client)
            phase(services, profile, seed, history, readers, killed=killed)
            if not killed:
                finish(services[-1], history, readers)
    return history


def finish(service, history, readers):
    """The whole feed as it is at the end, and what follows every cursor that somebody kept."""
    with service.client() as client:
        history.whole = tuple(one for page in walk(client, None) for one in page.items)
        for reader in readers:
            reader.pages += walk(client, reader.after)
            history.again += reader.again
            for page in reader.draw.sample(reader.pages, min(4, len(reader.pages))):
                told = walk(client, page.next)
                history.bookmarks[page.next] = tuple(one for page in told for one in page.items)
    history.readers = [reader.pages for reader in readers]


def walk(client, after):
    pages = []
    while True:
        page = client.changes(after=after, limit=50)
        pages.append(fetched(after, page))
        after = page.next
        if not page.more:
            return pages


def places(seed, tmp_path, server):
    """Every other run on PostgreSQL, with two services on one database."""
    folder = tmp_path / str(seed)
    folder.mkdir()
    if seed % 2 == 0:
        return folder, 1, {}, lambda: None
    name = server.add()
    place = server_place(server, name)
    return folder, 2, {"CATCHPAN_DATABASE": place.location}, lambda: server.drop(name)


@pytest.mark.parametrize("runs", [2, pytest.param(200, marks=pytest.mark.long)])
def test_the_feed_is_ordered_unique_atomic_reliable_resumable_and_bookmarkable(tmp_path, server, runs):
    for seed in range(runs):
        folder, count, settings, end = places(seed, tmp_path, server)
        history = recorded(folder, seed, count, **settings)
        assert {promise.__name__: promise(history) for promise in PROMISES} == {one.__name__: True for one in PROMISES}
        assert len(history.acknowledged) > WRITES
        end()


# --- the validators see what would break a promise

ONE, TWO, THREE = (
    Seen(1, 0, "material", "a", "added"),
    Seen(2, 0, "revision", "b/1", "added"),
    Seen(2, 1, "profile", "b", "moved"),
)
GOOD = History(
    acknowledged={("material", "a"), ("revision", "b/1")},
    readers=[[Fetched(None, (ONE, TWO), "c1", 1), Fetched("c1", (THREE,), "c2", 2)]],
    again=[Fetched("c1", (THREE,), "c2", 2)],
    whole=(ONE, TWO, THREE),
    bookmarks={"c1": (THREE,), "c2": ()},
)


def test_a_good_history_keeps_every_promise():
    assert all(promise(GOOD) for promise in PROMISES)


@pytest.mark.parametrize(
    ("broken", "altered"),
    [
        ("ordered", {"readers": [[Fetched(None, (TWO, ONE), "c1", 1), Fetched("c1", (THREE,), "c2", 2)]]}),
        ("unique", {"readers": [[Fetched(None, (ONE, TWO), "c1", 1), Fetched("c1", (TWO, THREE), "c2", 2)]]}),
        ("atomic", {"readers": [[Fetched(None, (ONE, TWO), "c1", 2), Fetched("c1", (THREE,), "c2", 2)]]}),
        ("reliable", {"readers": [[Fetched(None, (ONE,), "c1", 1)]]}),
        ("reliable", {"acknowledged": {("material", "lost")}}),
        ("reliable", {"whole": (ONE, Seen(3, 0, "material", "c", "added"))}),
        ("resumable", {"again": [Fetched("c1", (ONE,), "c2", 2)]}),
        ("resumable", {"again": []}),
        ("bookmarkable", {"bookmarks": {"c1": (TWO, THREE)}}),
        ("bookmarkable", {"bookmarks": {"c2": (THREE,)}}),
    ],
)
def test_each_promise_is_seen_to_be_broken(broken, altered):
    kept = {promise.__name__: promise(replace(GOOD, **altered)) for promise in PROMISES}
    assert not kept[broken]


def test_a_feed_read_by_a_plain_sequence_breaks_the_order():
    late = [[Fetched(None, (ONE, THREE), "c1", 2), Fetched("c1", (TWO,), "c2", 2)]]
    assert not any(promise(replace(GOOD, readers=late)) for promise in (ordered, atomic))
    assert unique(replace(GOOD, readers=late))
