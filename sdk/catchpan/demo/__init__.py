"""Files of an invented company, for trying things out: Alder Hollow Grounds, its material, its machine, its numbers."""

from importlib.resources import files
from pathlib import Path

CATCHES = "catches.csv"
PANS = "pans.csv"
OUTLINE = "outline.csv"


def copy_to(folder: Path) -> None:
    """Put the catch file, the pan file and the outline into a folder."""
    for name in (CATCHES, PANS, OUTLINE):
        (folder / name).write_bytes((files(__name__) / name).read_bytes())
