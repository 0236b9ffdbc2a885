"""Webhooks over HTTP: what is written with a change, what arrives, what comes of it, and who may ask."""

import asyncio
import json
from datetime import timedelta

import pytest
from standardwebhooks import Webhook
from standardwebhooks.webhooks import WebhookVerificationError

from catchpan import webhooks as sdk
from catchpan.contract.problems import Slug
from catchpan.contract.webhooks import EventKind
from catchpan.errors import SignatureError
from catchpan_service.deliverer import Deliverer
from catchpan_service.rules.webhooks import ATTEMPTS, KEPT, MOST
from catchpan_service.sender import Sender
from tests.conftest import SetClock
from tests.receiver import Receiver
from tests.scenario import MISSING, example, is_problem, operations, season, serving


class Office:
    """A service whose clock stands, and a receiver; ``deliver`` sends what is due."""

    def __init__(self, web, receiver, clock):
        self.web, self.receiver, self.clock = web, receiver, clock
        self.secret = sdk.new_secret()
        self.webhook = self.add()["id"]

    def add(self, **told):
        body = {"url": self.receiver.url, "secret": self.secret, "events": ["material"]} | told
        return self.web.made("POST", "/v1/webhooks", body)

    def change(self, name="Hollow Green", **options):
        return self.web.send("POST", "/v1/materials", example("addMaterial", name), **options)

    def deliver(self, times=1, **options):
        """Some deliverers at once look for what is due."""
        database = self.web.app.state.database

        async def run():
            told = {"private": True, "draw": lambda: 0.5} | options
            senders = [Sender(self.clock, **told) for _ in range(times)]
            await asyncio.gather(*(Deliverer(database, one).deliver_all() for one in senders))
            for one in senders:
                await one.aclose()

        asyncio.run(run())

    def show(self):
        return self.web.made("GET", f"/v1/webhooks/{self.webhook}")

    def sent(self):
        """What is told of its messages, newest first."""
        return self.web.made("GET", f"/v1/webhooks/{self.webhook}/deliveries?limit=200")["items"]

    def ask(self, what, **options):
        return self.web.send("POST", f"/v1/webhooks/{self.webhook}/{what}", **options)


@pytest.fixture
def office(own_place):
    clock = SetClock()
    with serving(own_place, clock=clock, webhooks_private=True) as web, Receiver() as receiver:
        yield Office(web, receiver, clock)


# --- what arrives


def test_one_change_arrives_once_signed_so_that_others_believe_it(office):
    made = office.change().json()
    office.deliver()
    office.deliver()
    (got,) = office.receiver.got
    assert got.path == "/changes?from=catchpan"
    assert got.headers["host"] == f"127.0.0.1:{office.receiver.port}"
    assert got.headers["content-type"] == "application/json"
    event = sdk.verify(got.body, got.headers, office.secret, now=office.clock())
    assert (event.type, event.timestamp) == ("material.added", office.clock())
    feed = office.web.made("GET", "/v1/changes?limit=200")["items"]
    told = next(one for one in feed if one["id"] == made["id"])
    assert (event.data.kind, event.data.id, event.data.action) == ("material", made["id"], "added")
    assert (event.data.digest, event.data.position) == (told["digest"], told["position"])
    assert "Hollow Green" not in got.body.decode()
    (kept,) = office.sent()
    assert (kept["id"], kept["attempts"], kept["status"]) == (got.headers["webhook-id"], 1, 204)
    assert kept["delivered"] is not None
    assert (kept["next_attempt"], kept["given_up"]) == (None, None)


def test_the_signature_is_that_of_the_specification(office, monkeypatch):
    office.change()
    office.deliver()
    (got,) = office.receiver.got
    monkeypatch.setattr("standardwebhooks.webhooks.datetime", _Stopped(office.clock))
    assert Webhook(office.secret).verify(got.body, got.headers) == json.loads(got.body)
    with pytest.raises(WebhookVerificationError):
        Webhook(office.secret).verify(got.body + b" ", got.headers)
    with pytest.raises(WebhookVerificationError):
        Webhook(sdk.new_secret()).verify(got.body, got.headers)


class _Stopped:
    """The clock of the other program, at the time of the test's."""

    def __init__(self, clock):
        self.now = lambda tz=None: clock().astimezone(tz)

    def __getattr__(self, name):
        from datetime import datetime

        return getattr(datetime, name)


def test_a_webhook_hears_of_the_kinds_that_it_asked_for(office):
    everything = office.add(events=[])["id"]
    season(office.web, in_use=True, trial=True)
    office.webhook, asked = everything, {one["type"] for one in office.sent()}
    kinds = {one["type"].split(".")[0] for one in office.sent()}
    assert kinds <= set(EventKind.__args__)
    assert {"material", "revision", "holding", "rollout", "correction", "key", "commissioning"} <= kinds
    assert asked <= {"material.added"}
    feed = office.web.made("GET", "/v1/changes?limit=200")["items"]
    assert len(office.sent()) == len([one for one in feed if one["kind"] != "webhook"]) - _before(feed, everything)


def _before(feed, webhook):
    """How many changes there were before a webhook was added, those of webhooks apart."""
    position = next(one["position"] for one in feed if one["id"] == webhook)
    return len([one for one in feed if one["position"] < position and one["kind"] != "webhook"])


def test_after_a_rotation_both_secrets_sign_for_a_day(office):
    new = sdk.new_secret()
    assert office.ask("rotate", body={"secret": new}).json()["both_until"] is not None
    for hours, both in ((0, True), (23, True), (2, False)):
        office.clock.advance(hours=hours)
        office.change(f"{hours} h ")
        office.deliver()
        got = office.receiver.got[-1]
        sdk.verify(got.body, got.headers, new, now=office.clock())
        assert len(got.headers["webhook-signature"].split()) == 1 + both
        if both:
            sdk.verify(got.body, got.headers, office.secret, now=office.clock())
        else:
            with pytest.raises(SignatureError):
                sdk.verify(got.body, got.headers, office.secret, now=office.clock())


def test_a_trial_goes_the_way_of_every_message(office):
    told = office.ask("try").json()
    office.deliver()
    event = sdk.verify(office.receiver.got[0].body, office.receiver.got[0].headers, office.secret, now=office.clock())
    assert (event.type, event.data.id) == ("webhook.tried", office.webhook)
    assert office.receiver.ids == [told["id"]]


# --- what is not written


def test_what_is_refused_or_tried_dry_leaves_no_message(office):
    office.change()
    is_problem(office.change(), Slug.CONFLICT)
    assert office.web.send("POST", "/v1/materials?dry_run=true", example("addMaterial", "dry ")).is_success
    assert office.web.send("POST", f"/v1/webhooks/{office.webhook}/try?dry_run=true").is_success
    assert len(office.sent()) == 1


def test_a_write_that_is_repeated_is_told_once(office):
    for _ in range(3):
        assert office.change(Idempotency_Key="once").status_code == 201
    assert len(office.sent()) == 1


# --- what goes wrong


def test_a_failure_is_tried_again_under_the_same_id_with_a_new_signature(office):
    office.receiver.answers = [(500, {}), (204, {})]
    office.change()
    office.deliver()
    (kept,) = office.sent()
    assert (kept["status"], kept["answer"], kept["attempts"]) == (500, "refused", 1)
    assert kept["next_attempt"] == _at(office.clock() + timedelta(seconds=10))
    office.clock.advance(seconds=9)
    office.deliver()
    assert len(office.receiver.got) == 1
    office.clock.advance(seconds=1)
    office.deliver()
    assert len(set(office.receiver.ids)) == 1
    for got, at in zip(office.receiver.got, (office.clock() - timedelta(seconds=10), office.clock()), strict=True):
        sdk.verify(got.body, got.headers, office.secret, now=at, tolerance=timedelta(0))
    assert office.sent()[0]["delivered"] is not None


def _at(moment):
    return moment.isoformat(timespec="microseconds").replace("+00:00", "Z").replace(".000000", "")


def test_after_ten_attempts_a_message_is_given_up_and_shown(office):
    office.receiver.answers = [(503, {})]
    began = office.clock()
    office.change()
    while not (kept := office.sent()[0])["given_up"]:
        office.deliver()
        office.clock.advance(minutes=10)
        assert office.clock() - began < timedelta(days=2)
    assert len(office.receiver.got) == kept["attempts"] == ATTEMPTS
    assert (kept["status"], kept["next_attempt"], kept["delivered"]) == (503, None, None)
    assert timedelta(hours=20) < office.clock() - began < timedelta(hours=28)


@pytest.mark.parametrize("status", [301, 302, 303, 307, 308])
def test_a_redirect_is_a_failure_and_followed_nowhere(office, status):
    office.receiver.answers = [(status, {"Location": office.receiver.url})]
    office.change()
    office.deliver()
    assert len(office.receiver.got) == 1
    assert (office.sent()[0]["status"], office.sent()[0]["answer"]) == (status, "a redirect, which is not followed")


def test_who_does_not_answer_in_time_is_not_waited_for(office):
    office.receiver.hang = 1.0
    office.change()
    office.deliver(timeout=0.2)
    assert (office.sent()[0]["status"], office.sent()[0]["answer"]) == (None, "no answer within 0.2 s")


def test_where_nobody_listens_it_is_tried_again(office):
    office.webhook = office.add(url="http://127.0.0.1:9/")["id"]
    office.change()
    office.deliver()
    assert office.sent()[0]["answer"].startswith("no answer: ")
    assert office.sent()[0]["next_attempt"] is not None


@pytest.mark.parametrize(
    ("told", "seconds"),
    [
        ("120", 120),
        ("1", 10),
        ("99999999", 12 * 3600),
        ("Mon, 07 Apr 2031 06:05:00 GMT", 300),
        ("soon", 10),
        ("-1", 10),
    ],
)
def test_a_receiver_may_say_when_to_come_back(office, told, seconds):
    office.receiver.answers = [(429, {"Retry-After": told})]
    office.change()
    office.deliver()
    assert office.sent()[0]["next_attempt"] == _at(office.clock() + timedelta(seconds=seconds))


def test_who_says_gone_hears_no_more_until_somebody_resumes(office):
    office.receiver.answers = [(500, {}), (410, {}), (204, {})]
    office.change("one ")
    office.deliver()
    office.change("two ")
    office.deliver()
    told = office.show()
    assert told["disabled"] is not None
    assert "410" in told["why"]
    office.change("three ")
    assert all(one["given_up"] for one in office.sent())
    assert len(office.sent()) == 2
    is_problem(office.ask("try"), Slug.CONFLICT)
    events = [
        one["event"] for one in office.web.made("GET", "/v1/changes?limit=200")["items"] if one["kind"] == "webhook"
    ]
    assert events == ["added", "disabled"]
    assert office.ask("resume").json()["disabled"] is None
    office.change("four ")
    office.deliver()
    assert len(office.receiver.got) == 3


def test_an_ended_webhook_hears_no_more_and_its_secrets_are_forgotten(office):
    office.change("one ")
    assert office.ask("end").json()["ended"] is not None
    office.change("two ")
    office.deliver()
    assert office.receiver.got == []
    assert [one["given_up"] is not None for one in office.sent()] == [True]
    assert office.secret not in office.web.dump()
    for what, body in (("try", {}), ("resume", {}), ("end", {}), ("rotate", {"body": {"secret": sdk.new_secret()}})):
        is_problem(office.ask(what, **body), Slug.CONFLICT)


def test_deliverers_at_once_send_each_message_once(office):
    office.receiver.hang = 0.05
    for n in range(30):
        office.change(f"{n} ")
    office.deliver(times=3)
    assert {one["answer"] for one in office.sent()} == {"delivered"}
    assert len(office.receiver.got) == len(set(office.receiver.ids)) == 30
    assert all(one["delivered"] and one["attempts"] == 1 for one in office.sent())


def test_a_message_whose_sender_died_is_due_again(office):
    office.change()

    async def die(_):
        raise asyncio.CancelledError

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Sender, "send", lambda self, taken: die(taken))
        with pytest.raises(asyncio.CancelledError):
            office.deliver()
    office.deliver()
    assert office.receiver.got == []
    office.clock.advance(minutes=2)
    office.deliver()
    assert len(office.receiver.got) == 1
    assert office.sent()[0]["attempts"] == 2


def test_messages_are_thrown_away_after_the_time_they_are_kept_for(office):
    office.change("one ")
    office.deliver()
    office.clock.advance(seconds=KEPT.total_seconds() + 1)
    office.change("two ")
    office.deliver()
    assert len(office.sent()) == 1


def test_who_answers_slowly_holds_up_no_other_organisation(office):
    database, office.receiver.hang = office.web.app.state.database, 5.0
    with Receiver() as quick:
        body = {"url": quick.url, "secret": office.secret}
        office.web.made("POST", "/v1/webhooks", body, key="other owner")
        office.change()

        async def run():
            deliverer = Deliverer(database, Sender(office.clock, private=True))
            first = asyncio.create_task(deliverer.deliver_all())
            await asyncio.to_thread(office.receiver.reached.wait, 20)
            asked = ("POST", "/v1/materials", example("addMaterial"))
            await asyncio.to_thread(office.web.made, *asked, key="other owner")
            await deliverer.deliver_all()
            arrived = len(quick.got), first.done()
            await first
            await deliverer.sender.aclose()
            return arrived

        assert asyncio.run(run()) == (1, False)
    assert len(office.receiver.got) == 1


# --- where to


@pytest.mark.parametrize(
    "url", ["https://127.0.0.1/", "http://hooks.example.com/", "https://localhost/", "https://[::1]/"]
)
def test_unless_it_is_allowed_nothing_is_added_that_is_not_public(tmp_path, url):
    with serving(tmp_path) as web:
        answer = web.send("POST", "/v1/webhooks", example("addWebhook") | {"url": url})
        (fault,) = is_problem(answer, Slug.NOT_COMPUTABLE).errors
    assert (fault.pointer, fault.given) == ("/url", url)
    assert fault.allowed.startswith("an https address")


def test_unless_it_is_allowed_nothing_is_sent_there_either(office):
    office.change()
    office.deliver(private=False)
    assert office.receiver.got == []
    assert office.sent()[0]["answer"].startswith("Nothing is sent there: ")


# --- who may ask, and what is told


def test_no_secret_is_told_again_anywhere(office, capfd):
    new = sdk.new_secret()
    told = [
        office.add(),
        office.ask("rotate", body={"secret": new}, Idempotency_Key="rotated").json(),
        office.show(),
        office.web.made("GET", "/v1/webhooks"),
        office.web.made("GET", "/v1/changes?limit=200"),
    ]
    office.ask("try")
    office.deliver()
    told += [office.sent(), [one.body.decode() for one in office.receiver.got]]
    for secret in (office.secret, new):
        assert secret not in json.dumps(told)
        assert secret not in capfd.readouterr().err
        kept = [line for line in office.web.dump().splitlines() if secret in line]
        assert {line.split()[0] for line in kept} == {"webhooks"}


def test_a_secret_that_is_none_is_refused_without_being_repeated(office):
    for wrong in ("whsec_short", "no secret at all", f"whsec_{'A' * 33}", f"whsec_{'A' * 200}"):
        answer = office.web.send("POST", "/v1/webhooks", example("addWebhook") | {"secret": wrong})
        (fault,) = is_problem(answer, Slug.UNREADABLE).errors
        assert (fault.pointer, fault.given) == ("/secret", None)
        assert wrong not in answer.text


@pytest.mark.parametrize("role", ["calibrator", "reader", "branch"])
def test_webhooks_are_the_owners_alone(office, role):
    for one in operations().values():
        if one.template.startswith("/v1/webhooks"):
            path = one.template.replace("{id}", office.webhook)
            is_problem(office.web.send(one.method, path, one.example, key=role), Slug.NOT_ALLOWED)


def test_those_of_another_organisation_are_not_there(office):
    for one in operations().values():
        if one.template.startswith("/v1/webhooks/{id}"):
            for subject in (office.webhook, MISSING):
                path = one.template.replace("{id}", subject)
                is_problem(office.web.send(one.method, path, one.example, key="other owner"), Slug.NOT_FOUND)
    assert office.web.made("GET", "/v1/webhooks", key="other owner")["items"] == []
    office.web.made("POST", "/v1/materials", example("addMaterial"), key="other owner")
    assert office.sent() == []


def test_there_are_no_more_webhooks_than_each_change_can_bear(office):
    for _ in range(MOST - 1):
        office.add()
    body = {"url": office.receiver.url, "secret": office.secret}
    is_problem(office.web.send("POST", "/v1/webhooks", body), Slug.CONFLICT)
    office.ask("end")
    office.add()


def test_lists_go_on_page_by_page_and_come_as_tables(office):
    for n in range(5):
        office.change(f"{n} ")
    path, seen = f"/v1/webhooks/{office.webhook}/deliveries?limit=2", []
    page = office.web.made("GET", path)
    while True:
        seen += [one["id"] for one in page["items"]]
        if page["next"] is None:
            break
        page = office.web.made("GET", f"{path}&after={page['next']}")
    assert seen == [one["id"] for one in office.sent()]
    assert len(seen) == 5
    table = office.web.send("GET", path, Accept="text/csv").text.splitlines()
    assert table[0] == "id,type,made,attempts,next_attempt,status,answer,delivered,given_up"
