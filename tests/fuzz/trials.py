"""What is done with a mutant: a result, or one message; anything else is a fault."""

from __future__ import annotations

import contextlib
import io
import json
import resource
import signal
import time
import traceback
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

from evaluate import InputError, evaluation_document, read_layout
from evaluate.bench import read_bench
from evaluate.reading import reading
from evaluate.shaft_results import shaft_document
from optimize.bench_session import list_orders
from optimize.exact.driver import enumerate_families, refuse_what_cannot_be_enumerated, steps_of
from optimize.exact.space import why_not_exact
from optimize.fronts import FamilyFront, front_tables
from optimize.plan import plan_of
from optimize.problem import Island
from optimize.search import advance
from optimize.study import Study, read_study
from tests.fuzz.mutants import Mutant

MOST_SECONDS = 20.0  # of one example; generous: the machine may do other things
MOST_BYTES = 1_500_000_000  # of address space beyond what the imports took
LONGEST_MESSAGE = 8_000  # a reason for each of some fifty families
ENUMERATED_STEPS = 3_000  # up to here a family is enumerated as a trial
ORDERS_SHARE = 30  # of a hundred layouts, whose firing orders are listed

#: Does something; may return what came of it.
Trial = Callable[[], str | None]

_NO_OPTIONS = {
    **dict.fromkeys(("same_tdc", "after", "order", "apart", "tdc_apart", "crankpins", "lobes"), ()),
    **dict.fromkeys(("tolerance", "gears", "drive", "parquet", "tree", "save")),
    "lobes_seen_from": "free end",
    "lobes_met": "clockwise",
    "every": False,
    "collectors": 2,
    "most": 24,
    "as_json": True,
}


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What came of one example.

    Attributes
    ----------
    what : str
        "valid", "refused" or "fault".
    said : str
        The message, or where the fault is.
    seconds : float
        [s]
    memory_MB : float
        Largest resident memory of the process while it was tried. [MB]
    """

    what: str
    said: str
    seconds: float
    memory_MB: float


class TooSlowError(BaseException):
    """An example took too long. No `Exception`, so that nothing on the way takes it for its own."""


class FaultError(Exception):
    """A result or message is not as it should be."""


def outcome_of(trial: Trial, *, times: float = 1.0) -> Outcome:
    """Try something within so many times the limit of time, and that of memory; warnings fail."""
    _forget_peak()
    began = time.perf_counter()
    try:
        with _limits(times * MOST_SECONDS), warnings.catch_warnings():
            warnings.simplefilter("error")
            what, said = trial() or "valid", ""
    except InputError as error:
        wrong = wrong_with(str(error))
        what, said = (
            ("fault", f"message {wrong}: {error!s:.300}") if wrong else ("refused", str(error))
        )
    except (Exception, TooSlowError) as error:
        what, said = "fault", _where(error)
    seconds = time.perf_counter() - began
    return Outcome(what=what, said=said, seconds=seconds, memory_MB=_peak_MB())


def wrong_with(message: str) -> str:
    """Return what is wrong with a message for people, nothing if nothing is."""
    if "\n" in message or not message.isprintable():
        return "with line breaks or control characters"
    if len(message) > LONGEST_MESSAGE:
        return f"of {len(message)} characters"
    if "; allowed: " not in message or ": got " not in message:
        return "that says not what is there and what is allowed"
    return ""


def trial_of(mutant: Mutant, path: Path) -> Trial:
    """Return what is to be tried with a mutant that stands in a file."""
    if mutant.kind == "study":
        return lambda: try_study(path, mutant.choice)
    return lambda: try_layout(path, mutant.choice)


def try_layout(path: Path, choice: int) -> None:
    """Evaluate a layout file and read it aloud, or list its firing orders."""
    if choice < ORDERS_SHARE:
        bench = read_bench(path)
        every = choice % 3 == 0 and bench.layout.engine.n_cylinders <= 8
        with contextlib.redirect_stdout(io.StringIO()) as printed:
            list_orders(path, {**_NO_OPTIONS, "every": every, "as_json": choice % 2 == 0})
        if not printed.getvalue():
            raise FaultError("nothing printed")
        return
    layout = read_layout(path)
    document = evaluation_document(layout) | shaft_document(layout)
    json.dumps(document, allow_nan=False)
    reading(layout)


def try_study(path: Path, choice: int) -> None:
    """Plan a study; search one family a little, and enumerate it where that takes a moment."""
    study = read_study(path)
    with contextlib.suppress(InputError):
        plan_of(study, all_exact=True)
    plan = plan_of(study)
    family = plan.families[choice % len(plan.families)]
    island = Island(study, family)
    state = advance(island, None, seed=(study.seed, 0, 0), population=16, generations=3)
    fronts = [FamilyFront.from_archive(island, state.archive)]
    if why_not_exact(study, family) is None and steps_of(study, family) <= ENUMERATED_STEPS:
        fronts = [_enumerated(study, family)] if _may_be_enumerated(study, family) else fronts
    front_tables(study, fronts)


def _may_be_enumerated(study: Study, family: object) -> bool:
    try:
        refuse_what_cannot_be_enumerated(study, [family])  # type: ignore[list-item]
    except InputError:
        return False
    return True


def _enumerated(study: Study, family: object) -> FamilyFront:
    found = enumerate_families(study, [family], None, workers=1)  # type: ignore[list-item]
    return next(iter(found.values())).front


@contextlib.contextmanager
def _limits(most_s: float) -> Iterator[None]:
    """Limit wall time and address space."""

    def too_slow(_number: int, _frame: FrameType | None) -> None:
        raise TooSlowError(f"over {most_s:g} s")

    soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (_size_bytes() + MOST_BYTES, hard))
    before = signal.signal(signal.SIGALRM, too_slow)
    signal.setitimer(signal.ITIMER_REAL, most_s)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)
        resource.setrlimit(resource.RLIMIT_AS, (soft, hard))


def _where(error: BaseException) -> str:
    """Return a fault in one line: what, and where in the project's own code."""
    own = [
        f"{Path(frame.filename).parent.name}/{Path(frame.filename).name}:{frame.lineno}"
        for frame in traceback.extract_tb(error.__traceback__)
        if "/evaluate/" in frame.filename or "/optimize/" in frame.filename
    ]
    text = " ".join(str(error).split())[:200]
    return f"{type(error).__name__} at {own[-1] if own else 'tests'}: {text}"


def _status(key: str) -> float:
    """Return a size that the system tells of this process; 0 where it tells none. [bytes]"""
    with contextlib.suppress(OSError):
        for line in Path("/proc/self/status").read_text().splitlines():
            if line.startswith(f"{key}:"):
                return 1024.0 * int(line.split()[1])
    return 0.0


def _size_bytes() -> int:
    return int(_status("VmSize"))


def _forget_peak() -> None:
    with contextlib.suppress(OSError):
        Path("/proc/self/clear_refs").write_text("5")  # from now on VmHWM counts anew


def _peak_MB() -> float:
    return _status("VmHWM") / 1e6
