"""``catchpan rollout``: a revision taken up by machines in waves, before it is released to everybody."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec
from cyclopts import App, Parameter

from catchpan.cli.arguments import ARatio, ATime
from catchpan.cli.connection import Common
from catchpan.cli.lookup import by_name
from catchpan.cli.printing import put, put_json, put_table, say, told
from catchpan.contract.rollouts import Rollout, RolloutPlan, RolloutRequest, WaveRequest
from catchpan.errors import MissingError, TableError
from catchpan.quantities import Ratio, Time, parse

app = App(name="rollout", help="Roll a revision out in waves.", help_format="plaintext")
_DEFAULT = Common()
_DAY = Time(value=24, unit="h")
_FOUR_FIFTHS = Ratio(value=80, unit="%")


class WaveError(TableError):
    """A wave that cannot be read."""


@Parameter(name="*")
@dataclass(frozen=True, kw_only=True)
class Terms:
    """What is agreed for a rollout.

    Parameters
    ----------
    wave
        One for each wave, in order, parts between commas: machine NAME, branch NAME, tag WORD, a share such as 20 %,
        or all; or @FILE with a machine's name on each line.
    reason
        Why.
    soak
        How long a wave runs before the next may begin.
    success
        Share of a wave whose check catches must be accepted.
    failure_limit
        As soon as so many machines have failed, the rollout is held.
    silent_after
        A machine of which nothing is heard so long after its wave began has failed.
    override
        An owner's reason to go on in spite of a finding that stops.
    """

    wave: list[str]
    reason: str
    soak: ATime = _DAY
    success: ARatio = _FOUR_FIFTHS
    failure_limit: int = 1
    silent_after: ATime = _DAY
    override: str | None = None


@app.command
def plan(profile: str, number: int, /, *, terms: Terms, common: Common = _DEFAULT) -> None:
    """Say which machine would be in which wave, and what changes on the ground; nothing is stored.

    Example: catchpan rollout plan "Hollow Green on ride-ons" 4 --wave "machine AH-07" --wave "tag ice, 50 %" --wave all
    --reason "small openings caught anew"

    Parameters
    ----------
    profile
        Name or id of the profile.
    number
        The revision.
    """
    _begin(common, profile, number, terms, dry_run=True)


@app.command
def start(profile: str, number: int, /, *, terms: Terms, common: Common = _DEFAULT) -> None:
    """Begin a rollout with its first wave.

    Example: catchpan rollout start "Hollow Green on ride-ons" 4 --wave "branch North yard" --wave all --reason "better"

    Parameters
    ----------
    profile
        Name or id of the profile.
    number
        The revision.
    """
    _begin(common, profile, number, terms, dry_run=False)


@app.command(name="list")
def list_(*, common: Common = _DEFAULT) -> None:
    """List the rollouts.

    Example: catchpan rollout list
    """
    with common.client(stores=True) as client:
        found = list(client.all_rollouts())
    if common.json:
        put_json(found)
        return
    rows = [
        [one.profile_name, str(one.number), _words(one.phase), str(one.wave), f"{one.since:%Y-%m-%d %H:%M}", one.id]
        for one in found
    ]
    put_table(["profile", "revision", "stands", "wave", "since (UTC)", "id"], rows)


@app.command
def show(rollout: str, /, *, machines: bool = False, common: Common = _DEFAULT) -> None:
    """Show where a rollout stands, and what it waits for.

    Example: catchpan rollout show "Hollow Green on ride-ons" --machines

    Parameters
    ----------
    rollout
        Id of a rollout, or the name of its profile for the last one.
    machines
        Show each machine too.
    """
    with common.client(stores=True) as client:
        found = _found(client, rollout)
        each = list(client.all_rollout_machines(found.id)) if machines else []
    if common.json:
        put_json({"rollout": found, "machines": each} if machines else found)
        return
    show_rollout(found)
    if machines:
        put()
        rows = [
            [one.name, str(one.wave), _words(one.standing), "-" if one.runs is None else str(one.runs)] for one in each
        ]
        put_table(["machine", "wave", "stands", "runs"], rows)


@app.command
def hold(rollout: str, /, *, reason: str, dry_run: bool = False, common: Common = _DEFAULT) -> None:
    """Let no further wave begin until somebody resumes it.

    Example: catchpan rollout hold "Hollow Green on ride-ons" --reason "AH-07 laid 9 % heavy"

    Parameters
    ----------
    rollout
        Id of a rollout, or the name of its profile for the last one.
    reason
        Why.
    dry_run
        Say what would happen, and store nothing.
    """
    _move(common, rollout, "hold", reason, dry_run)


@app.command
def resume(rollout: str, /, *, reason: str, dry_run: bool = False, common: Common = _DEFAULT) -> None:
    """Go on with a rollout that is held: deadlines count anew, and what failed is forgiven.

    Example: catchpan rollout resume "Hollow Green on ride-ons" --reason "its gate was not shut; checked again"

    Parameters
    ----------
    rollout
        Id of a rollout, or the name of its profile for the last one.
    reason
        Why.
    dry_run
        Say what would happen, and store nothing.
    """
    _move(common, rollout, "resume", reason, dry_run)


@app.command
def undo(rollout: str, /, *, reason: str, dry_run: bool = False, common: Common = _DEFAULT) -> None:
    """Let every machine go back to what its branch or everybody holds, from whatever wave.

    Example: catchpan rollout undo "Hollow Green on ride-ons" --reason "heavy on two machines"

    Parameters
    ----------
    rollout
        Id of a rollout, or the name of its profile for the last one.
    reason
        Why.
    dry_run
        Say what would happen, and store nothing.
    """
    _move(common, rollout, "undo", reason, dry_run)


@app.command
def advance(*, dry_run: bool = False, common: Common = _DEFAULT) -> None:
    """Make the moves that are due now; a service that runs does so by itself.

    Example: catchpan rollout advance

    Parameters
    ----------
    dry_run
        Say what would happen, and store nothing.
    """
    with common.client(stores=True) as client:
        moved = client.advance_rollouts(dry_run=dry_run)
    if common.json:
        put_json(moved)
        return
    for one in moved.items:
        show_rollout(one)
    if not moved.items:
        put("No move is due.")


def _begin(common: Common, profile: str, number: int, terms: Terms, *, dry_run: bool) -> None:
    with common.client(stores=True) as client:
        request = RolloutRequest(
            profile=by_name("profile", profile, client.all_profiles).id,
            number=number,
            waves=[_wave(client, words) for words in terms.wave],
            soak=terms.soak,
            success=terms.success,
            failure_limit=terms.failure_limit,
            deadline=terms.silent_after,
            reason=terms.reason,
            override=terms.override,
        )
        made = client.add_rollout(request, dry_run=dry_run)
    say("nothing stored: this was a plan" if dry_run else f"begun: rollout {made.rollout.id}")
    if common.json:
        put_json(made)
    else:
        show_plan(made)


def _wave(client: Any, words: str) -> WaveRequest:
    """A wave from its words."""
    wave = WaveRequest()
    for part in (part.strip() for part in words.split(",")):
        what, _, name = part.partition(" ")
        if part.startswith("@"):
            wave = _with(wave, machines=_machines(client, _lines(Path(part[1:]))))
        elif what == "machine":
            wave = _with(wave, machines=_machines(client, [name.strip()]))
        elif what == "branch":
            wave = _with(wave, branches=[by_name("branch", name.strip(), client.all_branches).id])
        elif what == "tag":
            wave = _with(wave, tags=[name.strip()])
        elif part.endswith("%"):
            wave = msgspec.structs.replace(wave, share=parse(Ratio, part))
        elif part != "all":
            said = "machine NAME, branch NAME, tag WORD, a share such as 20 %, @FILE or all"
            raise WaveError(f"a wave cannot be {part!r}; allowed: {said}")
    return wave


def _with(wave: WaveRequest, **more: list[str]) -> WaveRequest:
    return msgspec.structs.replace(wave, **{name: [*getattr(wave, name), *these] for name, these in more.items()})


def _machines(client: Any, names: list[str]) -> list[str]:
    known = list(client.all_machines())
    return [by_name("machine", name, lambda: known).id for name in names]


def _lines(path: Path) -> list[str]:
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise WaveError(f"the machines of a wave, {path}: {error}") from error
    return [line.strip() for line in text.splitlines() if line.strip()]


def _found(client: Any, named: str) -> Rollout:
    """A rollout by its id, or the last one of a profile."""
    found = list(client.all_rollouts())
    those = [one.id for one in found if one.id == named] or [
        one.id for one in sorted(found, key=lambda one: one.created) if named in {one.profile, one.profile_name}
    ]
    if not those:
        there = ", ".join(sorted({one.profile_name for one in found})) or "no profile yet"
        raise MissingError(f"there is no rollout {named!r}; there are rollouts of {there}")
    one: Rollout = client.rollout(those[-1])
    return one


def _move(common: Common, named: str, what: str, reason: str, dry_run: bool) -> None:
    with common.client(stores=True) as client:
        found = _found(client, named)
        ask = getattr(client, f"{what}_rollout")
        made = ask(found.id, reason, version=found.version, dry_run=dry_run)
    if dry_run:
        say("nothing stored: this was a dry run")
    if common.json:
        put_json(made)
    else:
        show_rollout(made)


def show_plan(made: RolloutPlan) -> None:
    """Print a rollout, and what it changes on which machine."""
    show_rollout(made.rollout)
    for difference in made.differences:
        before = "nothing of this profile" if difference.before is None else f"revision {difference.before}"
        put()
        put(f"On {difference.machines} machines with {before} now:")
        rows = [[one.what, one.before, one.after, told(one.moved, 2)] for one in difference.changes]
        if rows:
            put_table(["what", "before", "after", "lays"], rows)
        else:
            put("  nothing to compare" if difference.before is None else "  no difference")
    put()
    put_table(
        ["machine", "wave", "runs", "wanted now"],
        [[one.name, str(one.wave), _or_dash(one.runs), _or_dash(one.wanted)] for one in made.machines],
    )


def show_rollout(one: Rollout) -> None:
    """Print how a rollout stands, wave by wave."""
    put(f"{one.profile_name}, revision {one.number}: {_words(one.phase)}, wave {one.wave} of {len(one.waves)}")
    put(one.why)
    put(f"Waits for: {one.next_step}")
    put()
    rows = [
        [
            str(w.wave),
            *map(str, (w.machines, w.later, w.waiting, w.taken_up, w.accepted, w.refused, w.silent, w.needed)),
        ]
        for w in one.waves
    ]
    header = ["wave", "machines", "later", "waiting", "taken up", "accepted", "refused", "silent", "needed"]
    put_table(header, rows)


def _words(one: Any) -> str:
    return str(one.value).replace("_", " ")


def _or_dash(number: int | None) -> str:
    return "-" if number is None else str(number)
