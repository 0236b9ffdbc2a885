"""``catchpan webhook``: a secret that is shown once, messages that arrive, and an end that is asked for twice."""

import json
import time

import pytest

from catchpan import webhooks
from catchpan.cli import exits
from tests.cli.test_commands import run
from tests.receiver import Receiver
from tests.serving import Serving

SETTINGS = {"CATCHPAN_WEBHOOKS_PRIVATE": "true", "CATCHPAN_WEBHOOKS_EVERY": "0.05"}


@pytest.fixture(scope="module")
def office(tmp_path_factory):
    with Serving(tmp_path_factory.mktemp("office"), **SETTINGS) as serving:
        yield serving


def webhook(office, *words):
    return run("webhook", *words, folder=office.folder, CATCHPAN_SERVER=office.url, CATCHPAN_KEY=office.key)


def wait_for(found):
    ends = time.monotonic() + 20
    while not found() and time.monotonic() < ends:
        time.sleep(0.02)
    return found()


def test_a_webhook_is_added_tried_looked_up_and_ended(office):
    with Receiver() as receiver:
        made = webhook(office, "add", receiver.url, "--events", "material", "--events", "revision", "--file", "s.txt")
        assert made.returncode == exits.OK, made.stderr
        secret = (office.folder / "s.txt").read_text().strip()
        assert (office.folder / "s.txt").stat().st_mode & 0o777 == 0o600
        assert secret not in made.stdout + made.stderr
        (listed,) = json.loads(webhook(office, "list", "--json").stdout)
        assert listed["events"] == ["material", "revision"]
        own = listed["id"]
        assert webhook(office, "try", own).returncode == exits.OK
        (got,) = wait_for(lambda: receiver.got)
        assert webhooks.verify(got.body, got.headers, secret).type == "webhook.tried"
        assert wait_for(lambda: "204 delivered" in webhook(office, "deliveries", own).stdout)
        assert "webhook.tried" not in webhook(office, "deliveries", own, "--open").stdout
        rotated = webhook(office, "rotate", own)
        assert rotated.stderr.split()[-1].startswith("whsec_")
        unasked = webhook(office, "end", own)
        assert (unasked.returncode, "nothing was changed" in unasked.stderr) == (exits.USAGE, True)
        assert "on" in webhook(office, "show", own).stdout
        assert webhook(office, "end", own, "--yes").returncode == exits.OK
        assert own not in webhook(office, "list").stdout
        assert "ended" in webhook(office, "list", "--all").stdout


def test_a_webhook_that_was_disabled_says_why_and_can_be_resumed(office):
    with Receiver(answers=[(410, {})]) as receiver:
        webhook(office, "add", receiver.url)
        own = json.loads(webhook(office, "list", "--json").stdout)[-1]["id"]
        webhook(office, "try", own)
        assert wait_for(lambda: "disabled" in webhook(office, "list").stdout)
        shown = webhook(office, "show", own)
        assert "answered 410" in shown.stderr
        assert webhook(office, "try", own).returncode == exits.CONFLICT
        assert webhook(office, "resume", own).returncode == exits.OK
        assert "disabled" not in webhook(office, "list").stdout


def test_a_kind_of_event_that_there_is_not_is_refused(office):
    assert webhook(office, "add", "https://hooks.example.com/", "--events", "everything").returncode == exits.USAGE
