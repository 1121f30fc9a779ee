"""What the domain says when it says no."""


class Refused(Exception):
    """A rule does not allow it. `sentence` is written for the user: what is wrong, what to do.

    `field` names the form field that it belongs to, if one does.
    """

    status = 400

    def __init__(self, sentence, code: str = "refused", field: str | None = None) -> None:
        super().__init__(str(sentence))
        self.sentence = sentence
        self.code = code
        self.field = field


class Forbidden(Refused):
    """The person may not, whatever the state of the thing."""

    status = 403


class Conflict(Refused):
    """Somebody else's write came first; nothing was written."""

    status = 409


class LedgerMissing(AssertionError):
    """An action that promises a ledger entry ended without one."""
