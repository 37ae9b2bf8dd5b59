"""What can keep a problem from being planned."""


class DispatchError(ValueError):
    """Data that cannot be planned as it stands; the text says what to change."""


class MoveRefusedError(DispatchError):
    """A move by hand that cannot be kept; the text says why."""
