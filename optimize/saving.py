"""Saving at a stated interval, by a clock that nobody sets; a full disk must not end a night."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field

from optimize.files import RemovedError

SAVE_EVERY_S = 30.0


class UnwrittenError(Exception):
    """Raised when the results of a run cannot be written; what was saved is intact."""


def _nothing() -> None:
    """Do nothing."""


@dataclass(slots=True)
class Saver:
    """Says when to save, and takes note when it cannot be done.

    Attributes
    ----------
    every_s : float
        Time between two saves. [s]
    tell : callable
        Takes a sentence for the user: once when saving begins to fail, once when it works again.
    after : callable
        Called after each save; what it cannot do is told and tried again like a save.
    """

    every_s: float = SAVE_EVERY_S
    tell: Callable[[str], None] = field(default=lambda _: None)
    after: Callable[[], None] = _nothing
    saved_at: float | None = None  # wall clock of the last one that worked, for people
    _tried: float = field(default_factory=time.monotonic)
    problem: str | None = None  # why the last save failed

    def is_due(self) -> bool:
        """Return whether the time has come."""
        return time.monotonic() - self._tried >= self.every_s

    def save(self, write: Callable[[], None]) -> bool:
        """Write, and return whether that worked.

        Parameters
        ----------
        write : callable
            Writes files whole or not at all.

        Raises
        ------
        RemovedError
            If the run directory is gone.
        """
        try:
            write()
            self.after()
        except RemovedError:
            raise  # there is nothing left to go on for
        except OSError as error:
            if self.problem is None:
                self.tell(
                    f"Cannot save ({reason(error)}); the run goes on and tries again every "
                    f"{self.every_s:g} s. What was saved before is intact."
                )
            self.problem = reason(error)
        else:
            if self.problem is not None:
                self.tell("Saving works again.")
            self.problem = None
            self.saved_at = time.time()
        self._tried = time.monotonic()
        return self.problem is None


def reason(error: OSError) -> str:
    """Return what the system says, and of which file."""
    said = (error.strerror or str(error) or type(error).__name__).lower()
    return f"{said}: {error.filename}" if error.filename else said
