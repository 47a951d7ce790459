"""The tree of exceptions, and the one shape every message has.

    NightfoldError
    ├── SettingsError      campaign.toml or a recipe says something impossible   (ValueError)
    ├── FrameError         a file is not a frame that can be used                (ValueError)
    ├── CalibrationError   calibration frames do not give a master               (ValueError)
    ├── RegistrationError  a sub cannot be placed on the grid                    (ValueError)
    ├── FoldError          the subs at hand cannot be combined                   (ValueError)
    ├── PictureError       the masters at hand do not make a picture             (ValueError)
    ├── LedgerError        the ledger cannot be opened, locked or migrated
    └── CancelledError     the person asked to stop

A message says what is wrong, the value seen, what is allowed and what to do next, on one line.
A bad *frame* among many is data, not an exception: the stage records it and goes on.
"""

from __future__ import annotations


class NightfoldError(Exception):
    """Base of every error that a person is meant to read.

    Parameters
    ----------
    what : str
        What is wrong, naming the file or key.
    seen, allowed, next_step : str
        The value met, the values that would do, and the next thing to try.
    """

    def __init__(self, what: str, *, seen: str = "", allowed: str = "", next_step: str = "") -> None:
        self.what = what
        self.seen = seen
        self.allowed = allowed
        self.next_step = next_step
        super().__init__(self.line)

    @property
    def line(self) -> str:
        """The whole message on one line."""
        parts = [self.what]
        if self.seen:
            parts.append(f"seen: {self.seen}")
        if self.allowed:
            parts.append(f"allowed: {self.allowed}")
        if self.next_step:
            parts.append(f"next: {self.next_step}")
        return " ".join("; ".join(parts).split())

    def as_json(self) -> dict[str, str]:
        """The error document of the commands: `what`, `seen`, `allowed`, `next`."""
        return {"what": self.what, "seen": self.seen, "allowed": self.allowed, "next": self.next_step}


class SettingsError(NightfoldError, ValueError):
    """campaign.toml, a recipe or a plan says something impossible."""


class FrameError(NightfoldError, ValueError):
    """A file is not a frame that can be used."""


class CalibrationError(NightfoldError, ValueError):
    """The calibration frames at hand do not give a master."""


class RegistrationError(NightfoldError, ValueError):
    """A sub cannot be placed on the grid; `tried` says what was attempted."""

    def __init__(
        self, what: str, *, seen: str = "", allowed: str = "", next_step: str = "", tried: tuple[str, ...] = ()
    ) -> None:
        self.tried = tried
        super().__init__(what, seen=seen, allowed=allowed, next_step=next_step)


class FoldError(NightfoldError, ValueError):
    """The subs at hand cannot be combined."""


class PictureError(NightfoldError, ValueError):
    """The masters at hand do not make a picture."""


class LedgerError(NightfoldError):
    """The ledger cannot be opened, locked or migrated."""


class CancelledError(NightfoldError):
    """The person asked to stop; what was finished stays."""
