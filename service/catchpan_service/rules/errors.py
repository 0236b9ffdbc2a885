"""What the rules refuse, and why.

RuleError
├── NotAllowed      the role may not do this
├── BadWave         a wave of a rollout that cannot be made up; says where
├── BadAddress      an address that nothing is sent to
└── NotLegal        the state does not allow this; says what it does allow
    └── Blocked     a finding of severity stop is in the way
"""


class RuleError(Exception):
    """Base of every refusal by a rule."""


class NotAllowed(RuleError):
    """A role that may not do what was asked; ``action`` is what it would have needed."""

    def __init__(self, role: str, action: str) -> None:
        super().__init__(f"A key with the role {role} may not {action}.")
        self.role = role
        self.action = action


class BadWave(RuleError):
    """A wave that cannot be made up: ``where`` is its place in the request, ``allowed`` what would have been taken."""

    def __init__(self, message: str, *, where: tuple[str | int, ...], given: str | None, allowed: str) -> None:
        super().__init__(message)
        self.where = where
        self.given = given
        self.allowed = allowed


class BadAddress(RuleError):
    """An address of a webhook that nothing is sent to; ``allowed`` is what would have been taken."""

    def __init__(self, message: str, *, given: str, allowed: str) -> None:
        super().__init__(message)
        self.given = given
        self.allowed = allowed


class NotLegal(RuleError):
    """A move that the state does not allow; ``allowed`` are the events that it does."""

    def __init__(self, message: str, *, state: str, event: str, allowed: tuple[str, ...] = ()) -> None:
        super().__init__(message)
        self.state = state
        self.event = event
        self.allowed = allowed


class Blocked(NotLegal):
    """A release that findings of severity stop block; ``codes`` are theirs."""

    def __init__(self, codes: tuple[str, ...], *, state: str, event: str) -> None:
        super().__init__(
            f"Findings that stop a release: {', '.join(codes)}. An owner may override them with a reason.",
            state=state,
            event=event,
            allowed=("override",),
        )
        self.codes = codes
