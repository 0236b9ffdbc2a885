"""Puts tables that a program writes into their places on a page: between a marker and ``<!-- end -->``."""

import re
from collections.abc import Sequence


def placed(text: str, marker: str, lines: Sequence[str]) -> str:
    """The text with the lines in the place of the marker ``<!-- marker -->``."""
    head, end = re.escape(f"<!-- {marker} -->\n"), re.escape("<!-- end -->")
    match = re.search(f"{head}(.*?){end}", text, flags=re.DOTALL)
    if match is None:
        raise LookupError(f"the page has no place for {marker!r}")
    return text[: match.start(1)] + "\n".join(lines) + "\n" + text[match.end(1) :]
