"""What a computation refuses, and why: one small family, each error naming the doubtful number."""


class CalibrationError(ValueError):
    """Input that is well formed but cannot be computed.

    Attributes
    ----------
    code : str
        Stable machine-readable reason, snake case.
    where : tuple of (str or int)
        Path of the doubtful value in the arguments, such as ``("catches", 2, "duration")``.
    given : object
        The doubtful value, in SI where it has a dimension.
    allowed : str
        What would have been accepted, in words.
    """

    def __init__(
        self, code: str, message: str, *, where: tuple[str | int, ...] = (), given: object = None, allowed: str = ""
    ) -> None:
        super().__init__(message)
        self.code = code
        self.where = where
        self.given = given
        self.allowed = allowed
