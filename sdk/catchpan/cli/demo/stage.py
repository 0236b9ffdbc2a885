"""What every step of the demo works with: the service, the folder, and the numbers of the invented company."""

from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import Any

import msgspec

from catchpan import demo as files
from catchpan.cli.printing import put
from catchpan.contract.curves import Catch
from catchpan.contract.overlaps import OverlapRequest
from catchpan.quantities import Area, Length, Mass, Rate, Ratio, Speed, Time
from catchpan.tables import read_pans

SPACING, EDGE = Length(11, "ft"), Length(4.5, "ft")
PAN = Area(1, "ft2")
RATE, SPEED = Rate(3.2, "lb/1000ft2"), Speed(3.5, "mph")
LABEL = Rate(4.2, "lb/1000ft2")
OPENING_STEP = Ratio(0.5, "%")
BY = "R. Example"
KIND = "Ride-on 120"
PRODUCT = "Hollow Green 24-0-11"


def catch_of(opening: float, mass: float, duration: float) -> Catch:
    """A catch at an opening [%], of a mass [lb] in a time [s]."""
    return Catch(opening=Ratio(opening, "%"), mass=Mass(mass, "lb"), duration=Time(duration, "s"))


@dataclass
class Stage:
    """The service, the folder with the files, and the count of the steps."""

    client: Any
    place: Path
    numbers: "count[int]" = field(default_factory=lambda: count(1))

    def step(self, title: str) -> None:
        """Begin one of the eleven steps of the job."""
        put()
        put()
        put(f"{next(self.numbers)}. {title}")

    def does(self, what: str, command: str = "") -> None:
        """Say what is done, and which command does it."""
        put()
        put(f"   {what}")
        if command:
            put(f"   $ {command}")
        put()

    def keep(self, name: str, answer: Any) -> None:
        """Leave an answer in the folder as JSON."""
        (self.place / name).write_bytes(msgspec.json.format(msgspec.json.encode(answer), indent=2) + b"\n")

    def pan_test(self) -> OverlapRequest:
        """The pan test of the invented company."""
        positions, rows = read_pans(self.place / files.PANS, passes=3)
        return OverlapRequest(positions=positions, rows=rows, pan_area=PAN, rate=RATE)


@dataclass(frozen=True)
class Fleet:
    """Ids of what there is before anything is calibrated."""

    product: str
    kind: str
    north: str
    south: str
    east: str
    machines: dict[str, str]
