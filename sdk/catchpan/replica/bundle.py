"""A bundle: everything that a replica holds as one file of lines, for a stick.

The first line says what follows and how many lines; nothing in it is believed that does not fit the signed head.
"""

import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, BinaryIO, Final, Literal, TypeVar

import msgspec
from msgspec import Meta

from catchpan.contract.base import Wire
from catchpan.contract.sync import Target, UnsafeRevision
from catchpan.digest import digest
from catchpan.manifests import Unsafe
from catchpan.replica.errors import BundleError
from catchpan.replica.rules import Holdings, correction_of, line_of
from catchpan.replica.store import Copy, State

LONGEST_LINE: Final = 8_000_000
"""Bytes; no content is longer."""

T = TypeVar("T")
Lines = Annotated[int, Meta(ge=0, le=1_000_000)]


class Heading(Wire, kw_only=True, frozen=True):
    """The first line."""

    catchpan_bundle: Literal[1]
    holdings: Lines
    contents: Lines
    unsafe: list[UnsafeRevision]
    corrections: list[msgspec.Raw] = []
    state: State


class HeldLine(Wire, kw_only=True, frozen=True):
    """A line for one holding."""

    target: Target
    id: str
    profile: str
    entry: msgspec.Raw


def write(path: Path, copy: Copy, contents: Mapping[str, bytes]) -> None:
    """Write a bundle; the same holdings and head make the same bytes. It appears whole or not at all."""
    unsafe = [UnsafeRevision(**one._asdict()) for one in sorted(copy.holdings.unsafe)]
    heading = Heading(
        catchpan_bundle=1,
        holdings=len(copy.holdings.lines),
        contents=len(contents),
        unsafe=unsafe,
        corrections=[msgspec.Raw(body) for _, body in sorted(copy.holdings.corrections.items())],
        state=copy.state,
    )
    partial = path.with_name(path.name + ".partial")
    try:
        with partial.open("wb") as file:
            file.write(msgspec.json.encode(heading) + b"\n")
            for (target, one, profile), held in sorted(copy.holdings.lines.items()):
                line = HeldLine(target=target, id=one, profile=profile, entry=msgspec.Raw(held.entry))
                file.write(msgspec.json.encode(line) + b"\n")
            for _, body in sorted(contents.items()):
                file.write(body + b"\n")
            file.flush()
            os.fsync(file.fileno())
        partial.replace(path)
    except OSError as error:
        partial.unlink(missing_ok=True)
        raise BundleError(f"{path} could not be written: {error.strerror}") from error


def read(path: Path) -> tuple[Copy, dict[str, bytes]]:
    """What a bundle says, and its contents by the digests that they have; BundleError where it is not whole."""
    try:
        with path.open("rb") as file:
            lines = _lines(file)
            heading = _decoded(next(lines, b""), Heading)
            held = {}
            for _ in range(heading.holdings):
                one = _decoded(next(lines, b""), HeldLine)
                held[one.target, one.id, one.profile] = line_of(one.entry, one.profile)
            bodies = [next(lines, b"") for _ in range(heading.contents)]
            if len(held) != heading.holdings or b"" in bodies:
                raise BundleError(f"{path} is cut short")
            if next(lines, None) is not None:
                raise BundleError(f"{path} goes on after its end")
    except OSError as error:
        raise BundleError(f"{path} cannot be read: {error.strerror}") from error
    unsafe = frozenset(Unsafe(one.profile, one.number, one.digest) for one in heading.unsafe)
    corrections = {correction_of(one).id: bytes(one) for one in heading.corrections}
    return Copy(heading.state, Holdings(held, unsafe, corrections)), {digest(body): body for body in bodies}


def require_exactly(contents: Mapping[str, bytes], wanted: frozenset[str]) -> None:
    """BundleError unless the contents are those that the manifest names: none altered, none left out, none more."""
    if contents.keys() != wanted:
        short, over = len(wanted - contents.keys()), len(contents.keys() - wanted)
        raise BundleError(f"the bundle does not hold what was signed: {short} contents are missing, {over} are strange")


def _lines(file: BinaryIO) -> Iterator[bytes]:
    while True:
        line = file.readline(LONGEST_LINE)
        if not line:
            return
        if not line.endswith(b"\n"):
            raise BundleError("the bundle is cut short in the middle of a line, or a line has no end")
        yield line[:-1]


def _decoded(line: bytes, kind: type[T]) -> T:
    try:
        return msgspec.json.decode(line, type=kind)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise BundleError(f"this is no bundle, or it was cut short: {error}") from error
