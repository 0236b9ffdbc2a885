"""Writes catchpan/client.py, the synchronous client, from catchpan/aclient.py: ``python sdk/generate_client.py``."""

from pathlib import Path

HERE = Path(__file__).parent / "catchpan"
RULES = [
    ("The asynchronous client: one line for each operation. The synchronous twin, client.py, is generated from it.",
     "The synchronous client, generated from aclient.py by sdk/generate_client.py: change that one."),
    ("from collections.abc import AsyncIterator", "from collections.abc import Iterator"),
    ("import anyio\nimport httpx", "import httpx"),
    ("from catchpan.inprocess import AsyncInProcess", "from catchpan.inprocess import InProcess"),
    ("AsyncIterator", "Iterator"),
    ("AsyncCatchpan", "Catchpan"),
    ("AsyncInProcess", "InProcess"),
    ("httpx.AsyncClient", "httpx.Client"),
    ("httpx.AsyncBaseTransport", "httpx.BaseTransport"),
    ("anyio.sleep", "time.sleep"),
    ("async def ", "def "),
    ("await ", ""),
    ("__aenter__", "__enter__"),
    ("__aexit__", "__exit__"),
    ("aclose", "close"),
]  # fmt: skip


def generated(text: str) -> str:
    """The synchronous client's text; every rule must find something to do."""
    for old, new in RULES:
        if old not in text:
            raise ValueError(f"rule {old!r} found nothing to do")
        text = text.replace(old, new)
    return text


if __name__ == "__main__":
    (HERE / "client.py").write_text(generated((HERE / "aclient.py").read_text()))
