"""``catchpan calendar``: an address that is shown once, opens what is due, and can be ended."""

import json
import time
import urllib.error
import urllib.request

import pytest

from catchpan.cli import exits
from catchpan.contract.branches import BranchRequest
from tests.cli.test_commands import run
from tests.serving import Serving


@pytest.fixture
def office(tmp_path):
    with Serving(tmp_path) as serving, serving.client() as client:
        client.add_branch(BranchRequest(name="North yard"))
        yield serving


def calendar(office, *words):
    return run("calendar", *words, folder=office.folder, CATCHPAN_SERVER=office.url, CATCHPAN_KEY=office.key)


def opened(address):
    with urllib.request.urlopen(address) as answer:
        return answer.read().decode()


def test_a_calendar_is_made_opened_listed_and_ended(office):
    made = calendar(office, "add", "wall", "--branch", "North yard", "--days", "30")
    assert made.returncode == exits.OK, made.stderr
    assert "token" not in made.stdout
    address = made.stderr.split()[-1]
    assert opened(address).startswith("BEGIN:VCALENDAR\r\n")
    (listed,) = json.loads(calendar(office, "list", "--json").stdout)
    assert (listed["name"], listed["role"], listed["last_used"] is not None) == ("wall", "calendar", True)
    assert "North yard" in calendar(office, "list").stdout
    assert calendar(office, "remove", "wall").stdout == "wall is ended\n"
    assert calendar(office, "remove", "wall").returncode == exits.NOT_FOUND
    time.sleep(1)  # for which a service may remember a key
    with pytest.raises(urllib.error.HTTPError, match="401"):
        opened(address)


def test_an_address_goes_to_a_file_that_only_its_owner_reads(office, tmp_path):
    file = tmp_path / "calendar.txt"
    made = calendar(office, "add", "wall", "--file", str(file))
    assert "token" not in made.stderr + made.stdout
    assert file.stat().st_mode & 0o777 == 0o600
    assert opened(file.read_text().strip()).endswith("END:VCALENDAR\r\n")
