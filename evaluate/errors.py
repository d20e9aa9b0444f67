"""The one error that a user's mistake raises, and how its message reads."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


class InputError(ValueError):
    """Something in a file or on the command line that cannot be used.

    The message reads ``where: got what; allowed: what. Did you mean what?``.

    Parameters
    ----------
    where : str
        Path that a person can follow, such as ``engine.toml: crank.throw_angles_deg[2]``.
    got : str
        What stands there, as it should be shown.
    allowed : str
        What may stand there, or what would be possible instead.
    suggestion : str or None
        The nearest valid spelling.
    """

    def __init__(self, where: str, got: str, allowed: str, suggestion: str | None = None) -> None:
        super().__init__(where, got, allowed, suggestion)
        self.where, self.got, self.allowed, self.suggestion = where, got, allowed, suggestion

    def __str__(self) -> str:
        text = f"{self.where}: got {self.got}; allowed: {self.allowed}"
        return text if self.suggestion is None else f"{text}. Did you mean {self.suggestion!r}?"

    def inside(self, parent: str) -> InputError:
        """Return the same problem as seen from one level further up (a file, a table)."""
        separator = ": " if parent.endswith((".toml", ".csv")) else "."
        return InputError(
            f"{parent}{separator}{self.where}", self.got, self.allowed, self.suggestion
        )


def nearest(word: str, allowed: Iterable[str]) -> str | None:
    """Return the allowed word that is spelt most like `word`, or None if none is near."""
    close = difflib.get_close_matches(word, list(allowed), n=1, cutoff=0.6)
    return close[0] if close else None


def unknown_word(where: str, word: str, allowed: Iterable[str]) -> InputError:
    """Return the error for a word that is not among the `allowed` ones."""
    words = list(allowed)
    return InputError(where, repr(word), ", ".join(words), nearest(word, words))
