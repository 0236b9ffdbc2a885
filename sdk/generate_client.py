"""Writes the synchronous client from the asynchronous one: ``python sdk/generate_client.py``."""

from pathlib import Path

HERE = Path(__file__).parent / "catchpan"
FILES = {
    "aclient.py": "client.py",
    "acomputing.py": "computing.py",
    "abranches.py": "branches.py",
    "amachines.py": "machines.py",
    "arollouts.py": "rollouts.py",
    "awebhooks.py": "hooks.py",
}
RULES = [
    ("The asynchronous client: one line for each operation. The synchronous twin, client.py, is generated from it.",
     "The synchronous client, generated from aclient.py by sdk/generate_client.py: change that one."),
    ("The computations of the asynchronous client. The synchronous twin, computing.py, is generated from it.",
     "The computations of the client, generated from acomputing.py by sdk/generate_client.py: change that one."),
    ("Branches and sync of the asynchronous client. The synchronous twin, branches.py, is generated from it.",
     "Branches and sync of the client, generated from abranches.py by sdk/generate_client.py: change that one."),
    ("Single machines of the asynchronous client. The synchronous twin, machines.py, is generated from it.",
     "Single machines of the client, generated from amachines.py by sdk/generate_client.py: change that one."),
    ("Rollouts of the asynchronous client. The synchronous twin, rollouts.py, is generated from it.",
     "Rollouts of the client, generated from arollouts.py by sdk/generate_client.py: change that one."),
    ("Webhooks of the asynchronous client. The synchronous twin, hooks.py, is generated from it.",
     "Webhooks of the client, generated from awebhooks.py by sdk/generate_client.py: change that one."),
    ("from collections.abc import AsyncIterator", "from collections.abc import Iterator"),
    ("import anyio\nimport httpx", "import httpx"),
    ("catchpan.acomputing", "catchpan.computing"),
    ("catchpan.abranches", "catchpan.branches"),
    ("catchpan.amachines", "catchpan.machines"),
    ("catchpan.arollouts", "catchpan.rollouts"),
    ("catchpan.awebhooks", "catchpan.hooks"),
    ("AsyncIterator", "Iterator"),
    ("AsyncCatchpan", "Catchpan"),
    ("AsyncComputing", "Computing"),
    ("AsyncBranches", "Branches"),
    ("AsyncMachines", "Machines"),
    ("AsyncRollouts", "RolloutCalls"),
    ("AsyncWebhooks", "WebhookCalls"),
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


def sources() -> dict[str, str]:
    """The asynchronous texts, by the name of the file that each becomes."""
    return {twin: (HERE / name).read_text() for name, twin in FILES.items()}


def generated(texts: dict[str, str]) -> dict[str, str]:
    """The synchronous texts; every rule must find something to do."""
    for old, new in RULES:
        if not any(old in text for text in texts.values()):
            raise ValueError(f"rule {old!r} found nothing to do")
        texts = {twin: text.replace(old, new) for twin, text in texts.items()}
    return texts


if __name__ == "__main__":
    for twin, text in generated(sources()).items():
        (HERE / twin).write_text(text)
