"""README.md and the program say the same."""

import re
import shlex
import subprocess
import sys
from datetime import UTC, datetime

import msgspec
import pytest

from catchpan import webhooks
from catchpan.contract.webhooks import Event, EventData
from tests.cli.test_commands import run
from tests.readme import README, written
from tests.serving import Serving

TEXT = README.read_text()
COMMANDS = [
    line for block in re.findall(r"```sh\n(.*?)```", TEXT, re.DOTALL) for line in block.splitlines()
    if line.startswith("catchpan ") and " serve" not in line
]  # fmt: skip
CATCHES = re.search(r"```\n(opening.*?)```", TEXT, re.DOTALL)[1]


def test_its_tables_are_those_of_the_program():
    assert written(TEXT) == TEXT


def test_its_first_paragraph_states_the_job():
    first = TEXT.split("\n\n")[1]
    assert {"spreaders", "catch", "weigh", "openings"} <= set(re.findall(r"\w+", first))


def test_its_commands_run_in_order(tmp_path):
    (tmp_path / "catches.csv").write_text(CATCHES)
    (tmp_path / "pans.csv").write_text("position [ft],row 1 [g]\n-6,0\n-3,2\n0,4\n3,2\n6,0\n")
    corners = ("0,0", "90,0", "90,60", "0,60")
    (tmp_path / "outline.csv").write_text("\n".join(["ring,x [ft],y [ft]", *(f"outline,{one}" for one in corners)]))
    assert len(COMMANDS) >= 10
    for command in COMMANDS:
        done = run(*shlex.split(command)[1:], folder=tmp_path)
        assert done.returncode == 0, (command, done.stderr)
        assert done.stdout


def test_its_python_runs_against_a_service(tmp_path):
    script = re.search(r"```python\n(.*?)```", TEXT, re.DOTALL)[1]
    with Serving(tmp_path) as serving:
        script = script.replace("http://127.0.0.1:8420", serving.url)
        done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "offset_power" in done.stdout


def test_its_receiver_believes_what_was_signed_and_nothing_else(capsys):
    script = re.findall(r"```python\n(.*?)```", TEXT, re.DOTALL)[1]
    held = {}
    exec(script, held)
    secret, now = webhooks.new_secret(), datetime.now(UTC)
    data = EventData(kind="revision", id="x/1", action="released", digest=None, position=1)
    body = msgspec.json.encode(Event(type="revision.released", timestamp=now, data=data))
    sent = int(now.timestamp())
    told = {"webhook-id": "msg_1", "webhook-timestamp": str(sent)}
    told["webhook-signature"] = webhooks.signature(secret, "msg_1", sent, body)
    assert held["receive"](body, told, secret) == 204
    assert held["receive"](body, told, webhooks.new_secret()) == 401
    assert capsys.readouterr().out == "revision.released x/1\n"


@pytest.mark.parametrize("command", re.findall(r"sh (deploy/\w+|tests/\w+)", TEXT))
def test_its_scripts_exist(command):
    assert (README.parent / command).is_file()
