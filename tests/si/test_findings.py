"""The one list of finding codes holds every code that the mathematics can give."""

import ast
from pathlib import Path

from catchpan.contract.findings import FindingCode
from catchpan_service import calibration

FOLDER = Path(calibration.__file__).parent
KNOWN = {code.value for code in FindingCode}


def codes(source: str) -> set[str]:
    """The literal first arguments, or ``code=``, of every Finding that a source makes."""
    calls = [
        node
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.Call) and getattr(node.func, "id", getattr(node.func, "attr", "")).endswith("Finding")
    ]
    given = [arg for call in calls for arg in [*call.args[:1], *(k.value for k in call.keywords if k.arg == "code")]]
    return {arg.value for arg in given if isinstance(arg, ast.Constant) and isinstance(arg.value, str)}


def test_every_code_of_the_mathematics_is_in_the_list():
    found = set().union(*(codes(path.read_text()) for path in FOLDER.glob("*.py")))
    assert len(found) > 15
    assert found <= KNOWN, found - KNOWN


def test_the_walk_sees_a_code_that_is_not_in_the_list():
    assert codes('Finding("made_up", "note", "x", "y")') == {"made_up"}
