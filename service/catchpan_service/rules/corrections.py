"""When a correction may begin and end."""

from typing import Final

from catchpan.contract.profiles import State
from catchpan_service.rules.errors import NotLegal

IN_USE: Final = (State.PROVISIONAL, State.RELEASED)


def require_in_use(state: State) -> None:
    """Refuse with NotLegal a correction on a revision that nobody uses."""
    if state not in IN_USE:
        said = f"This revision is {state.value}: nobody uses it, and there is nothing to correct."
        raise NotLegal(said, state=state.value, event="correct")


def require_in_force(*, ended: bool) -> None:
    """Refuse with NotLegal to end a correction a second time."""
    if ended:
        raise NotLegal("This correction is out of force already.", state="ended", event="end")
