"""The root command, and the one place that turns an error into a sentence and an exit code."""

import sys
from collections.abc import Sequence

import msgspec
from cyclopts import App, CycloptsError

from catchpan import __version__
from catchpan.cli import exits
from catchpan.cli.printing import say
from catchpan.errors import CatchpanError, ProblemError

EPILOGUE = "Exit codes: " + "; ".join(f"{code} {meaning}" for code, meaning in exits.MEANINGS.items()) + "."

app = App(
    name="catchpan",
    version=__version__,
    help="Calibrate granular broadcast spreaders: catches to openings, pans to a pass spacing, profiles for a fleet.",
    help_epilogue=EPILOGUE,
    help_format="plaintext",
)
_COMMANDS = {
    "curve": "curve:app",
    "opening": "opening:opening",
    "chart": "opening:chart",
    "overlap": "overlap:overlap",
    "edge": "edge:edge",
    "coverage": "coverage:coverage",
    "throw": "throw:throw",
    "flight": "throw:flight",
    "plan": "plan:plan",
    "check": "check:app",
    "gate": "gate:app",
    "granules": "measures:granules",
    "speed": "measures:speed",
    "compare": "measures:compare",
    "amounts": "amounts:app",
    "material": "material:app",
    "machine-kind": "machine_kind:app",
    "machine": "machine:app",
    "drift": "running:drift",
    "due": "due:due",
    "calendar": "calendar:app",
    "totals": "totals:totals",
    "correction": "correction:app",
    "profile": "profile:app",
    "branch": "branch:branch",
    "rollout": "rollout:app",
    "fleet": "fleet:app",
    "sync": "branch:sync",
    "replica": "replica:app",
    "webhook": "webhook:app",
    "organisation": "organisation:organisation",
    "key": "organisation:key",
    "database": "database:database",
    "audit": "database:audit",
    "serve": "serve:serve",
    "demo": "demo:demo",
}
for _name, _place in _COMMANDS.items():
    app.command(f"catchpan.cli.{_place}", name=_name)  # imported only when it is used


def main(arguments: Sequence[str] | None = None) -> None:
    """Run a command; every error ends here."""
    try:
        app(arguments, result_action="return_value", exit_on_error=False, print_error=False)
    except CycloptsError as error:
        say(f"catchpan: {error}")
        say("catchpan --help, or --help behind a command, shows how")
        sys.exit(exits.USAGE)
    except CatchpanError as error:
        _explain(error)
        sys.exit(exits.exit_code(error))
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(exits.OK)
    except KeyboardInterrupt:
        say("stopped")
        sys.exit(130)


def _explain(error: CatchpanError) -> None:
    say(f"catchpan: {error}")
    if not isinstance(error, ProblemError):
        return
    for fault in error.problem.errors:
        given = "" if fault.given is None else f" is {msgspec.json.encode(fault.given).decode()}"
        allowed = f"; allowed: {fault.allowed}" if fault.allowed else ""
        say(f"  {fault.pointer or 'the request'}{given}{allowed}")
    if error.problem.clash is not None:
        for one in error.problem.clash.on_the_ground:
            say(f"  {one.what}: theirs {one.theirs}, yours {one.yours}")
        for member in error.problem.clash.members:
            theirs, yours = (msgspec.json.encode(value).decode() for value in (member.theirs, member.yours))
            say(f"  {member.pointer}: theirs {theirs[:80]}, yours {yours[:80]}")
    if error.problem.request:
        say(f"  request {error.problem.request}")
