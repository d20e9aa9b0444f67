"""One search from the command line: directories, seeds, interrupts, progress, results."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from types import FrameType

from rich.console import Console

from evaluate.errors import InputError
from optimize.exact import ledger
from optimize.exact.driver import ExactProgress, StoppedError
from optimize.files import (
    RemovedError,
    into,
    is_neighbour,
    only_writer,
    remove_neighbours,
    writable_directory,
    write_text,
)
from optimize.fronts import SO_FAR, package_versions
from optimize.genome import Designs
from optimize.inputs import as_kept, refuse_changed, write_copies
from optimize.plan import Plan, plan_of
from optimize.processes import StopRequest
from optimize.progress import TimeLeft, shown_progress
from optimize.results import write_results
from optimize.run import Outcome, Progress, run_study
from optimize.saving import SAVE_EVERY_S, Saver, UnwrittenError, reason
from optimize.shortlist import Pick
from optimize.starts import KEPT, is_kept, keep_starts, kept_starts, starts_by_family
from optimize.status import IslandStatus, RunStatus, StatusFile, now_text
from optimize.storage import Mirror
from optimize.study import Study, read_study
from optimize.texts import families_text
from optimize.work import WorkersLostError

_SUBFOLDERS = ("checkpoints", "shortlist", "pictures")  # of a run directory


def search_and_write(
    file: Path,
    *,
    out: Path | None,
    resume: bool,
    workers: int | None,
    seed: int | None,
    pictures: bool,
    all_exact: bool = False,
    start: Path | None = None,
    cluster: str | None = None,
    save_every_s: float = SAVE_EVERY_S,
    mirror: Mirror | None = None,
) -> tuple[Outcome, list[Pick], Path, Study]:
    """Search (or enumerate) a study file and write the run directory.

    Parameters
    ----------
    file : Path
        Study file.
    out, resume, workers, seed, pictures, cluster, save_every_s
        The options of the command.
    all_exact : bool
        Enumerate every family instead of searching.
    start : Path or None
        Run directory whose designs come into the first populations.
    mirror : Mirror or None
        What copies `out` to other storage after each save.

    Raises
    ------
    InputError
        If the study, the directory or the options cannot be used; nothing is written then.
    StoppedError
        If an enumeration was stopped before it had a result.
    UnwrittenError
        If the results cannot be written; what was saved is intact.
    """
    study = read_study(file)
    if seed is not None:
        study = replace(study, seed=seed)
    plan = plan_of(study, all_exact=all_exact)
    starts = None
    if start is not None:
        starts = starts_by_family(start, plan.families, "--start")
    if cluster is not None:
        from optimize.cluster import check_cluster

        check_cluster(cluster)
    folder = _run_directory(study, out, resume=resume)
    console = Console(stderr=True)
    count = workers or os.cpu_count() or 1
    where = f"{count} process(es)" if cluster is None else f"the workers of {cluster}"
    with only_writer(folder, "--out"):
        shown = folder if mirror is None else mirror.url
        console.print(f"{_opening(study, plan, where)}, into {shown}", highlight=False)
        remove_neighbours([folder, *(folder / name for name in _SUBFOLDERS)])
        starts = _starts_kept(start, starts, plan, folder, resume=resume)
        resume = resume and _has_checkpoint(folder)  # a run may have died before its first save
        if not resume:
            write_study_files(study, folder)
        study = as_kept(study, folder)
        status = _status_file(study, folder, all_exact=all_exact, workers=count)
        saver = Saver(every_s=save_every_s, tell=lambda text: console.print(text, highlight=False))
        if mirror is not None:
            saver.after = mirror.put_changed
        stop = StopRequest()
        with (
            _first_interrupt_stops(stop, console),
            _ends_told(shown, file, status, all_exact=all_exact),
            into(folder),
            shown_progress(console) as show,
        ):
            outcome = run_study(
                study,
                folder,
                workers=count,
                cluster=cluster,
                resume=resume,
                all_exact=all_exact,
                starts=starts,
                report=_reports_to(show, status, saver),
                stop=stop,
                saver=saver,
            )
            status.status.saved = None if saver.saved_at is None else now_text(saver.saved_at)
            status.write(at_once=True)
            picks = write_results(study, outcome, folder, pictures=pictures)
            status.status.front_size = len(outcome.common)
            status.status.hypervolume = outcome.hypervolume
            status.status.state = "finished" if outcome.is_complete else "stopped"
            (folder / SO_FAR).unlink(missing_ok=True)
    return outcome, picks, folder, study


def _status_file(study: Study, folder: Path, *, all_exact: bool, workers: int) -> StatusFile:
    """Return the file that tells other terminals how far the run is; the first report writes it."""
    status = RunStatus(
        study=study.name,
        question=study.question,
        seed=study.seed,
        command="enumerate" if all_exact else "optimize",
        started=now_text(),
        updated=now_text(),
        pid=os.getpid(),
        workers=workers,
        versions=package_versions(),
        budget=0 if all_exact else study.evaluations,
    )
    return StatusFile.begin(folder, status)


def _reports_to(
    show: Callable[[Progress | ExactProgress], None], file: StatusFile, saver: Saver
) -> Callable[[Progress | ExactProgress], None]:
    """Return what shows progress on the terminal and puts it into the status file."""
    left = TimeLeft()
    enumerated: tuple[IslandStatus, ...] = ()

    def report(progress: Progress | ExactProgress) -> None:
        nonlocal enumerated
        show(progress)
        status = file.status
        status.seconds_left = left.seconds(progress)
        status.saved = None if saver.saved_at is None else now_text(saver.saved_at)
        status.front_size = progress.front_size
        if isinstance(progress, ExactProgress):
            enumerated = progress.islands
            status.islands = list(enumerated)
        else:
            status.evaluations = progress.evaluations
            status.round, status.rounds = progress.round_number, progress.rounds
            status.hypervolume = progress.hypervolume
            status.islands = [*enumerated, *progress.islands]
        file.write()

    return report


def _starts_kept(
    start: Path | None,
    starts: Mapping[str, Designs] | None,
    plan: Plan,
    folder: Path,
    *,
    resume: bool,
) -> Mapping[str, Designs] | None:
    """Return the designs to start from, once a copy stands in the run directory.

    The copy comes before the study: a run that died at once, and is resumed, has it or has nothing.
    """
    if resume and _has_checkpoint(folder):
        if start is not None and not is_kept(start, folder):
            raise InputError(
                "--start",
                f"designs of {start}, which the run did not begin with",
                "--resume without --start, or a new --out",
            )
        return kept_starts(folder, plan.families)
    if starts is None and resume:
        return kept_starts(folder, plan.families)
    if start is not None and not _has_checkpoint(folder):
        keep_starts(start, folder)
    elif not resume:
        (folder / KEPT).unlink(missing_ok=True)  # of a run that died before it wrote its study
    return starts


def _opening(study: Study, plan: Plan, where: str) -> str:
    """Return what is going to happen, in one line."""
    n_searched = len(plan.families) - len(plan.exact)
    parts = []
    if plan.exact:
        parts.append(f"{families_text(len(plan.exact))} enumerated whole")
    if n_searched:
        parts.append(
            f"{families_text(n_searched)} x {study.seeds} seed(s) searched, at most "
            f"{study.evaluations:,} designs, population {plan.population}, seed {study.seed}"
        )
    return f"{study.name}: {'; '.join(parts)}; {where}"


def write_study_files(study: Study, folder: Path) -> None:
    """Write the study as run, and the files that it names where the copy will look for them."""
    write_copies(study, folder)
    write_text(folder / "study.toml", study.text)


def _run_directory(study: Study, out: Path | None, *, resume: bool) -> Path:
    """Return the directory of the run; a directory with results is never overwritten unasked."""
    if resume:
        if out is None:
            raise InputError(
                "--resume", "no --out", "the run directory to go on with, as --out DIR"
            )
        if out.exists() and not _may_go_on(out):
            raise InputError(
                "--resume", f"no checkpoint in {out}", "a run directory that holds one"
            )
        written = out / "study.toml"
        if written.exists() and written.read_text(encoding="utf-8") != study.text:
            raise InputError(
                "--resume",
                "a study file that was changed since",
                "the study as it was, or a new --out",
            )
        refuse_changed(study, out)
        return writable_directory(out, "--out")
    if out is None:
        base = Path("results") / _slug(study.name)
        out, number = base, 2
        while holds_a_run(out):
            out, number = base.with_name(f"{base.name}-{number}"), number + 1
    elif holds_a_run(out):
        raise InputError(
            "--out", f"{out}, which holds a run already", "a new directory, or --resume to go on"
        )
    return writable_directory(out, "--out")


def _may_go_on(folder: Path) -> bool:
    """Return whether a run may have been here, or have died before it wrote anything.

    Where nothing is at all, --resume begins: a command that is run at each start of a machine
    need not know whether it is the first time.
    """
    if _has_checkpoint(folder):
        return True
    if any((folder / name).exists() for name in ("front.parquet", "polish.json")):
        return False  # results come after a checkpoint: without one they are not to be written over
    if (folder / "study.toml").exists():
        return True
    return folder.is_dir() and all(is_neighbour(p) or p.name == KEPT for p in folder.iterdir())


def _has_checkpoint(folder: Path) -> bool:
    return any((folder / "checkpoints" / n).exists() for n in ("round.json", ledger.NAME))


def holds_a_run(folder: Path) -> bool:
    """Return whether a directory holds anything of a run."""
    names = ("front.parquet", "study.toml", "checkpoints")
    return any((folder / name).exists() for name in names)


def _slug(name: str) -> str:
    kept = "".join(c if c.isalnum() or c in "-_" else "-" for c in name.strip().lower())
    return kept.strip("-") or "study"


@contextmanager
def _ends_told(
    folder: Path | str, file: Path, status: StatusFile, *, all_exact: bool
) -> Iterator[None]:
    """Put the end of a run into its status file, and say how to go on with what is saved."""
    command = "enumerate" if all_exact else "optimize"
    study = file if file.exists() else f"{folder}/study.toml"
    advice = f"crankfront {command} {study} --out {folder} --resume"
    try:
        yield
    except StoppedError:
        status.status.state = "stopped"
        raise StoppedError(f"Stopped early; what is done is saved. Go on with: {advice}") from None
    except InputError:
        raise  # refused: what an earlier run has left there stays as it is
    except RemovedError:
        raise
    except WorkersLostError as error:
        status.status.state, status.status.message = "failed", str(error)
        raise WorkersLostError(f"{error}: {advice}") from None
    except (OSError, UnwrittenError) as error:
        what = reason(error) if isinstance(error, OSError) else str(error)
        status.status.state, status.status.message = "failed", what
        raise UnwrittenError(
            f"cannot write the results ({what}). What was saved in {folder} is intact; once this "
            f"is put right, go on with: {advice}"
        ) from error
    except KeyboardInterrupt:
        status.status.state = "stopped"
        raise StoppedError(
            f"Stopped at once; what was saved last is intact. Go on with: {advice}"
        ) from None
    except BaseException as error:
        status.status.state, status.status.message = "failed", str(error)
        raise
    finally:
        status.end()


@contextmanager
def _first_interrupt_stops(stop: StopRequest, console: Console) -> Iterator[None]:
    """Let the first Ctrl-C (or SIGTERM) end the run at the next barrier, the second at once."""

    def on_signal(_number: int, _frame: FrameType | None) -> None:
        if stop.is_set.is_set():
            raise KeyboardInterrupt
        stop.is_set.set()
        console.print("Finishing what is under way and saving; Ctrl-C again stops at once.")

    saved = {s: signal.signal(s, on_signal) for s in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in saved.items():
            signal.signal(number, handler)
