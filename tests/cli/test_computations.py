"""Each computation from the command line: on the demo's files and a few rows more, in words and as the published JSON."""

import json

import jsonschema
import pytest

from catchpan import demo
from catchpan_service.routes.computations import COMPUTATIONS

from .test_commands import OPENING, run, schema_of

CATCHES = "18,1.95,90\n26,3.42,60\n35,4.24,40\n50,5.39,25\n75,6.76,15\n"
FILES = {
    "checks.csv": "opening [%],mass [lb],duration [s]\n26,3.45,60\n26,3.40,60\n60,6.65,22\n60,6.55,22\n",
    "series.csv": "ratio [%],standard uncertainty [%]\n101,2\n99,2\n103,2\n104,2\n",
    "throws.csv": "impeller speed [rpm],left [ft],right [ft]\n300,8,8.5\n450,11,11.5\n600,14,\n",
    "sieves.csv": "sieve,mass [g]\n3.35 mm,20\n2.36 mm,80\n1.40 mm,90\npan,10\n",
    "machines.csv": "machine,opening [%],mass [lb],duration [s]\n" + "".join(
        f"{name},{opening},{mass},30\n"
        for name in ("AH-07", "AH-09", "AH-11") for opening, mass in ((30, 1.9), (30, 1.95), (60, 5.6), (60, 5.7))
    ),
    "sets.csv": "material,opening [%],mass [lb],duration [s]\n" + "".join(
        f"{name},{row}\n" for name in ("Hollow Green", "Alder Overseed", "Quarry Salt") for row in CATCHES.split()
    ),
}  # fmt: skip

COMMANDS = {
    "flow-curve": ("curve", "fit", "catches.csv"),
    "opening": ("opening", "catches.csv", *OPENING),
    "opening-chart": ("chart", "catches.csv", *OPENING),
    "overlap": ("overlap", "pans.csv", "--pan-area", "1 ft2", "--passes", "3"),
    "catch-plan": (
        "plan", "--rate", "2 lb/1000ft2", "--rate", "4 lb/1000ft2", "--speed", "3 mph", "--speed", "4 mph",
        "--pass-spacing", "11 ft", "--bucket", "10 lb", "--bag", "50 lb",
    ),
    "gate-table": ("gate", "table", "catches.csv", "--tolerance", "1 %"),
    "gate-stops": ("gate", "stops", "--closed", "212", "--open", "905", "--opening", "40 %"),
    "ground-speed": ("speed", "--distance", "200 ft", "--time", "39 s", "--time", "39.3 s"),
    "machine-comparison": ("compare", "machines.csv"),
    "granules": ("granules", "sieves.csv"),
    "amounts": ("amounts", "product", "--area", "1 ac", "--rate", "3.2 lb/1000ft2", "--nitrogen", "24 %"),
    "work-rate": ("amounts", "hours", "--width", "11 ft", "--speed", "3.5 mph", "--efficiency", "70 %"),
    "boom-flow": (
        "amounts", "boom", "--volume", "40 gal", "--area", "1 ac", "--pass-spacing", "11 ft", "--speed", "3.5 mph",
    ),
    "edge": (
        "edge", "pans.csv", "--pan-area", "1 ft2", "--passes", "3", "--side", "left", "--pass-spacing", "11 ft",
        "--beyond", "paving",
    ),
    "coverage": (
        "coverage", "outline.csv", "--pans", "pans.csv", "--pan-area", "1 ft2", "--passes", "3", "--rate",
        "3.2 lb/1000ft2", "--pass-spacing", "11 ft",
    ),
    "throw": ("throw", "throws.csv", "--wanted-throw", "12 ft"),
    "flight": (
        "flight", "--diameter", "2 mm", "--particle-density", "1300 kg/m3", "--release-height", "20 in",
        "--release-speed", "15 m/s",
    ),
    "check-catch": ("check", "catch", "catches.csv", "checks.csv"),
    "field-check": ("check", "field", "--used", "150 lb", "--rate", "3.2 lb/1000ft2", "--area", "1 ac"),
    "check-series": ("check", "series", "series.csv"),
    "prior": ("curve", "prior", "sets.csv"),
    "provisional-curve": ("curve", "provisional", "catches.csv", "checks.csv"),
}  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("files")
    demo.copy_to(place)
    for name, text in FILES.items():
        (place / name).write_text(text)
    return place


@pytest.mark.parametrize("thing", [one for one in COMPUTATIONS if one.name in COMMANDS], ids=lambda one: one.name)
def test_a_computation_answers_in_words_and_as_the_published_answer(folder, thing):
    told, done = run(*COMMANDS[thing.name], folder=folder), run(*COMMANDS[thing.name], "--json", folder=folder)
    assert (told.returncode, done.returncode) == (0, 0), told.stderr + done.stderr
    assert len(told.stdout.split()) > 3
    jsonschema.validate(json.loads(done.stdout), schema_of(thing.wire("Answer").__name__))


def test_every_computation_has_a_command():
    assert {one.name for one in COMPUTATIONS} == set(COMMANDS)
