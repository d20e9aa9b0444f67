"""A few hundred spoilt files, the same ones each time; `make fuzz` tries thousands.

No outside source: that a file gives a result or one message is the project's own promise (design,
part 7). The files are those of `studies/`, changed by Hypothesis.
"""

from __future__ import annotations

import pytest

from evaluate import InputError
from tests.fuzz.campaign import Tally, try_mutants
from tests.fuzz.commands import try_commands
from tests.fuzz.trials import outcome_of, wrong_with

SEED = 20261128


def said(tally: Tally) -> list[str]:
    return [
        f"{f.count} x {f.said} ({f.mutant.name}, {f.mutant.changes})" for f in tally.faults.values()
    ]


@pytest.mark.parametrize(("kind", "n"), [("layout", 160), ("study", 90), ("trace", 50)])
def test_spoilt_files_give_a_result_or_one_message(kind: str, n: int) -> None:
    tally = try_mutants(kind, n, first=SEED)
    assert said(tally) == []
    assert tally.mutants == n
    # Neither all good nor all bad, or the mutants would try little.
    assert tally.valid >= n // 10
    assert tally.refused >= n // 5


def test_spoilt_files_through_the_command_line() -> None:
    tally = try_commands(30, first=SEED)
    assert said(tally) == []
    assert tally.valid
    assert tally.refused


def test_a_fault_is_seen() -> None:
    def slow() -> None:
        while True:
            pass

    def greedy() -> None:
        bytearray(3_000_000_000)

    def broken() -> None:
        raise KeyError("x")

    def wordy() -> None:
        raise InputError("a", "b\n", "c" * 10)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("tests.fuzz.trials.MOST_SECONDS", 0.2)
        assert outcome_of(slow).said.startswith("TooSlowError")
    for trial, words in ((greedy, "MemoryError"), (broken, "KeyError")):
        found = outcome_of(trial)
        assert (found.what, found.said[: len(words)]) == ("fault", words)
    assert outcome_of(wordy).what == "refused"  # line breaks are shown as escapes


@pytest.mark.parametrize(
    "message", ["a: got b\n; allowed: c", "a: got \x1b[31m; allowed: c", "no", "a: got b" * 2000]
)
def test_bad_messages_are_seen(message: str) -> None:
    assert wrong_with(message)


def test_a_good_message_is_good() -> None:
    assert not wrong_with(str(InputError("a.toml: b", "1", "2")))
