"""Where something is wrong in a JSON document: pointer, what was given, what is allowed."""

import re
from typing import Any

import msgspec

from catchpan.contract.problems import Fault
from catchpan_service.calibration.errors import CalibrationError
from catchpan_service.strict import closed


def locate(document: Any, where: tuple[str | int, ...]) -> tuple[str, Any]:
    """JSON Pointer and value of a path; an index into a quantity array goes through its ``values``."""
    pointer = ""
    for step in where:
        if isinstance(step, int) and isinstance(document, dict) and "values" in document:
            document, pointer = document["values"], pointer + "/values"
        pointer += f"/{step}"
        try:
            document = document[step]
        except (KeyError, IndexError, TypeError):
            document = None
    return pointer, document


_AT = re.compile(r" - at `(?P<path>\$[^`]*)`$")
_UNKNOWN = re.compile(r"unknown field `(?P<name>[^`]*)`")
_STEP = re.compile(r"\.(?P<name>\w+)|\[(?P<index>\d+)\]")


def computation_fault(error: CalibrationError, document: Any) -> Fault:
    """The fault of a computation that was refused; ``document`` is the JSON value that it was computed from."""
    pointer, given = locate(document, error.where)
    return Fault(pointer=pointer, code=error.code, detail=str(error), given=given, allowed=error.allowed)


def decode_fault(error: msgspec.DecodeError, body: bytes, kind: type[msgspec.Struct]) -> Fault:
    """The fault of a body that cannot be read as its type."""
    text = str(error)
    if not isinstance(error, msgspec.ValidationError):
        return Fault(pointer="", code="not_json", detail=text, allowed="a JSON document in UTF-8")
    match = _AT.search(text)
    steps, detail = _steps(match["path"]) if match else (), _AT.sub("", text)
    allowed = _allowed(kind, steps)
    if unknown := _UNKNOWN.search(detail):
        steps = (*steps, unknown["name"])
    pointer, given = locate(_document(body), steps)
    given = None if pointer == "/secret" else _shown(given)
    return Fault(pointer=pointer, code=_code(detail), detail=detail, given=given, allowed=allowed)


def _document(body: bytes) -> Any:
    """The JSON value of a body; None where it cannot be read behind the fault that was found."""
    try:
        return msgspec.json.decode(body)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return None


def _steps(path: str) -> tuple[str | int, ...]:
    return tuple(m["name"] or int(m["index"]) for m in _STEP.finditer(path))


def _code(detail: str) -> str:
    for part, code in (("unknown field", "unknown_member"), ("missing required", "member_missing"),
                       ("enum value", "not_in_list"), (", got `", "wrong_type")):  # fmt: skip
        if part in detail:
            return code
    return "out_of_range"


def _shown(given: Any) -> Any:
    return given if not isinstance(given, dict | list) else None


def _allowed(kind: type[msgspec.Struct], steps: tuple[str | int, ...]) -> str:
    """What the document allows at a path, in words."""
    document = msgspec.json.schema(closed(kind))
    node = _resolved(document, document)
    for step in steps:
        inner = node.get("items", {}) if isinstance(step, int) else node.get("properties", {}).get(step, {})
        node = _resolved(document, inner)
    return _words(node)


def _resolved(document: dict[str, Any], node: dict[str, Any]) -> dict[str, Any]:
    while True:
        if "$ref" in node:
            node = document["$defs"][node["$ref"].rsplit("/", 1)[-1]]
        elif "anyOf" in node:
            node = next(part for part in node["anyOf"] if part.get("type") != "null")
        else:
            return node


def _words(node: dict[str, Any]) -> str:
    if "enum" in node:
        return "one of " + ", ".join(str(value) for value in node["enum"])
    if node.get("type") == "object" and "properties" in node:
        return "members " + ", ".join(node["properties"])
    limits = {"minimum": "at least", "maximum": "at most", "exclusiveMinimum": "above", "minLength": "length at least",
              "maxLength": "length at most", "minItems": "items at least", "maxItems": "items at most",
              "pattern": "matching"}  # fmt: skip
    parts = [f"{words} {node[name]}" for name, words in limits.items() if name in node]
    return ", ".join([str(node.get("type", "")), *parts])
