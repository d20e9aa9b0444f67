"""The one error that a user's mistake raises, and how its message reads."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

#: Characters of each part of a message: what is longer stands in a spoilt file.
MOST_WHERE, MOST_GOT, MOST_ALLOWED = 300, 5000, 2500


class InputError(ValueError):
    """Something in a file or on the command line that cannot be used.

    The message reads ``where: got what; allowed: what. Did you mean what?``; it is one line, and no
    longer than a person may want to read.

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
        where, got = _one_line(self.where, MOST_WHERE), _one_line(self.got, MOST_GOT)
        text = f"{where}: got {got}; allowed: {_one_line(self.allowed, MOST_ALLOWED)}"
        return text if self.suggestion is None else f"{text}. Did you mean {self.suggestion!r}?"

    def inside(self, parent: str) -> InputError:
        """Return the same problem as seen from one level further up (a file, a table)."""
        separator = ": " if parent.endswith((".toml", ".csv")) else "."
        return InputError(
            f"{parent}{separator}{self.where}", self.got, self.allowed, self.suggestion
        )


def _one_line(text: str, most: int) -> str:
    """Return a text cut to `most` characters, escapes for those that do not print."""
    shown = text if len(text) <= most else f"{text[: most - 3]}..."
    if shown.isprintable():
        return shown
    return "".join(c if c.isprintable() else repr(c)[1:-1] for c in shown)


def nearest(word: str, allowed: Iterable[str]) -> str | None:
    """Return the allowed word that is spelt most like `word`, or None if none is near."""
    close = difflib.get_close_matches(word, list(allowed), n=1, cutoff=0.6)
    return close[0] if close else None


def unknown_word(where: str, word: str, allowed: Iterable[str]) -> InputError:
    """Return the error for a word that is not among the `allowed` ones."""
    words = list(allowed)
    return InputError(where, repr(word), ", ".join(words), nearest(word, words))
