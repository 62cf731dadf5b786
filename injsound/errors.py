"""Errors raised by injsound; every message says what is wrong, what was found, what was expected and what to do."""


class InjsoundError(Exception):
    """Base of every error that injsound raises on purpose."""


class ParameterError(InjsoundError, ValueError):
    """A setting given by the caller cannot be used (rpm 0, an impossible firing order, ...)."""


class RecordingError(InjsoundError):
    """A file cannot be used as a recording (unreadable, too short, no sound in it, ...).

    Parameters
    ----------
    message : str
        One line for a person.
    code : str
        A stable word for programs, such as ``"unreadable"`` or ``"too short"``; it is the ``code`` in JSON ``errors``.
    """

    def __init__(self, message: str, *, code: str = "unreadable") -> None:
        super().__init__(message)
        self.code = code
