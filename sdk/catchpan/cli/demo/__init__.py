"""``catchpan demo``: the whole job once, in its eleven steps, on invented data, with the service in this process."""

from itertools import count
from pathlib import Path

from catchpan import demo as files
from catchpan.cli.connection import service_module
from catchpan.cli.demo.calibrating import calibrate
from catchpan.cli.demo.machine import commission
from catchpan.cli.demo.running import answer_for_it, check_in_the_field
from catchpan.cli.demo.sharing import release
from catchpan.cli.demo.stage import Stage
from catchpan.cli.demo.writing import write_down
from catchpan.cli.printing import put, say

COMPANY = "Alder Hollow Grounds"


def demo(*, folder: Path | None = None) -> None:
    """Run the whole job once on invented data, from a machine's gauge work to what went down in the end.

    Example: catchpan demo --folder trial

    Parameters
    ----------
    folder
        Where to leave the files; a new folder catchpan-demo by default.
    """
    place = _new_folder(folder)
    files.copy_to(place)
    environment = {"CATCHPAN_DATABASE": str(place / "catchpan.sqlite"), "CATCHPAN_ORGANISATION": COMPANY}
    from catchpan.client import Catchpan

    put(f"{COMPANY} (an invented company, its materials, machines and numbers too) calibrates a spreader.")
    with Catchpan.in_process(service_module("local").open_app(environment, stores=True)) as client:
        stage = Stage(client, place)
        fleet = commission(stage)
        calibrated = calibrate(stage)
        written = write_down(stage, fleet, calibrated)
        release(stage, fleet, written)
        check_in_the_field(stage, fleet, written)
        answer_for_it(stage, fleet)
    put()
    put(f"All files are in {place}:")
    for file in sorted(place.iterdir()):
        put(f"  {file.name}")


def _new_folder(wanted: Path | None) -> Path:
    names = (Path(f"catchpan-demo{'' if number == 1 else f'-{number}'}") for number in count(1))
    place = wanted or next(name for name in names if not name.exists())
    place.mkdir(parents=True, exist_ok=True)
    say(f"files go to {place.resolve()}")
    return place.resolve()
