"""The command line: parse, call one function, print. Heavy imports wait until a command runs."""

from __future__ import annotations

import errno
import functools
import math
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.shell_completion import CompletionItem

from optimize.completion import complete_design, complete_expression, complete_metric

if TYPE_CHECKING:
    from optimize.run import Outcome
    from optimize.shortlist import Pick
    from optimize.storage import Mirror
    from optimize.study import Study


class _Place(click.ParamType):  # type: ignore[type-arg]
    """A directory, or the URL of one on other storage, as text."""

    name = "dir"

    def convert(self, value: Any, param: Any, ctx: Any) -> Path | str:  # noqa: ARG002
        return value if "://" in str(value) else Path(value)

    def shell_complete(self, ctx: Any, param: Any, incomplete: str) -> list[CompletionItem]:  # noqa: ARG002
        return [CompletionItem(incomplete, type="dir")]


class _Group(click.Group):
    """A group whose commands end with one message.

    Exit status 2 for bad input, 1 for files, disks and workers that fail.
    """

    def invoke(self, ctx: click.Context) -> Any:
        if ctx.params.get("debug"):
            return super().invoke(ctx)
        try:
            return super().invoke(ctx)
        except (click.ClickException, click.exceptions.Exit, click.Abort):
            raise
        except Exception as error:
            if _is_one(error, "evaluate.errors", "InputError"):
                click.echo(f"crankfront: {error}", err=True)
                ctx.exit(2)
            text = _fault(error)
            if text is None:
                raise
            click.echo(f"crankfront: {text}", err=True)
            ctx.exit(1)


def _is_one(error: Exception, module: str, name: str) -> bool:
    """Return whether an error is of a class of ours, without importing its module."""
    found = sys.modules.get(module)
    return found is not None and isinstance(error, getattr(found, name))


def _fault(error: Exception) -> str | None:
    """Return what to say of an error that no code can prevent; None for one that is a bug."""
    ours = (
        ("optimize.files", "RemovedError"),
        ("optimize.lease", "LeaseLostError"),
        ("optimize.saving", "UnwrittenError"),
        ("optimize.work", "WorkersLostError"),
    )
    if any(_is_one(error, *one) for one in ours):
        return str(error)
    if not isinstance(error, OSError) or error.errno in (None, errno.EPIPE):
        return None  # click ends quietly when the reader of a pipe has gone
    from optimize.saving import reason

    where = f"standard output: {reason(error)}" if _output_is_broken() else reason(error)
    return f"{where} (crankfront --debug ... shows more)"


def _output_is_broken() -> bool:
    """Return whether what was printed finds no room; then let the rest of it go.

    Python would complain once more at its end, and change the exit status.
    """
    try:
        sys.stdout.flush()
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return True
    return False


def _require_own_evaluate() -> None:
    """Refuse to go on when another package is imported under the name `evaluate`."""
    import evaluate

    if getattr(evaluate, "DISTRIBUTION", None) != "crankfront":
        raise click.ClickException(
            "another installed package is also imported as 'evaluate'; install crankfront into an "
            "environment of its own, as the README shows"
        )


@click.group(
    cls=_Group,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Try: crankfront optimize studies/compact-four-stroke.toml",
)
@click.version_option(package_name="crankfront", message="crankfront %(version)s")
@click.option("--debug", is_flag=True, help="Show the traceback of an error.")
def main(debug: bool) -> None:
    """Search the space of piston-engine layouts for honest trade-offs.

    Layouts are scored on residual forces and couples, firing evenness, exhaust pulses, size and
    price; Pareto fronts come out as Parquet and as pictures.
    """


@main.command(epilog="Try: crankfront evaluate studies/layouts/v-eight-cross-plane.toml --json")
@click.argument("layout", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
@click.option(
    "--plots",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Draw the layout into a directory: a card and each picture (PNG and SVG).",
)
@click.option(
    "--sheet",
    type=click.Path(path_type=Path),
    metavar="FILE.html",
    help="Write a page that explains the layout (HTML, complete in one file).",
)
def evaluate(layout: Path, as_json: bool, plots: Path | None, sheet: Path | None) -> None:
    """Evaluate one layout file: what shakes, when it fires, what it takes."""
    _require_own_evaluate()
    from optimize.one_layout import evaluate_layout

    evaluate_layout(layout, as_json=as_json, plots=plots, sheet=sheet)


class _Finite(click.FloatRange):
    """A range without what is no number: NaN is neither below nor above anything."""

    def convert(self, value: Any, param: Any, ctx: Any) -> float:
        number: float = super().convert(value, param, ctx)
        if not math.isfinite(number):
            self.fail(f"{value} is not a number.", param, ctx)
        return number


def _run_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add the options of commands that run for long."""
    options = [
        click.option(
            "--out",
            type=_Place(),
            help="Run directory, or the URL of one elsewhere, such as s3://bucket/run; by default "
            "a new one under results/.",
        ),
        click.option(
            "--resume",
            is_flag=True,
            help="Go on with the run in --out from what was saved last; begin where none is.",
        ),
        click.option(
            "--workers", type=click.IntRange(1, 256), help="Processes; default: all cores."
        ),
        click.option(
            "--cluster", metavar="ADDRESS", help="Take the workers of this Dask scheduler instead."
        ),
        click.option(
            "--save-every",
            "save_every_s",
            type=_Finite(0, 86_400),
            metavar="SECONDS",
            default=30.0,
            show_default=True,
            help="How often to save what --resume goes on from.",
        ),
        click.option("--pictures/--no-pictures", default=True, help="Whether to draw pictures."),
    ]
    for option in reversed(options):
        command = option(command)
    return command


@main.command(epilog="Try: crankfront optimize studies/compact-four-stroke.toml --out results/try")
@click.argument("study", type=click.Path(path_type=Path))
@_run_options
@click.option("--seed", type=click.IntRange(0), help="Take this seed instead of the study's.")
@click.option(
    "--start",
    type=click.Path(path_type=Path),
    metavar="RUN_DIR",
    help="Take the designs of another run into the first populations.",
)
def optimize(study: Path, **options: Any) -> None:
    """Search a study: fronts of all families, merged into one, with pictures and a shortlist.

    Ctrl-C once finishes what is under way (some seconds), saves and writes what is there;
    --resume goes on. Meanwhile `crankfront status` says in another terminal how far it is.
    """
    _search_and_print(study, **options)


@main.command(epilog="Try: crankfront enumerate studies/every-v-eight.toml --out results/exact")
@click.argument("study", type=click.Path(path_type=Path))
@_run_options
def enumerate(study: Path, **options: Any) -> None:
    """Find the true front of a lattice space: every candidate, with a certificate.

    Throw angles need a step, bank angles and fractions a list. Ctrl-C once saves what is done;
    --resume goes on.
    """
    _search_and_print(study, seed=None, all_exact=True, **options)


def _search_and_print(study: Path, **options: Any) -> None:
    _require_own_evaluate()
    from optimize.exact.driver import StoppedError
    from optimize.session import search_and_write

    out, resume = options.pop("out"), options["resume"]
    _point_to_the_copy(study, resume=resume, out=out)
    try:
        with _here(out, resume=resume) as (folder, mirror):
            outcome, picks, folder, checked = search_and_write(
                study, out=folder, mirror=mirror, **options
            )
            names = [path.name for path in folder.iterdir()]
    except StoppedError as stopped:
        click.echo(str(stopped), err=True)
        sys.exit(1)
    command = "enumerate" if options.get("all_exact") else "optimize"
    where = out if mirror else folder
    again = f"crankfront {command} {study} --out {where} --resume"
    _print_outcome(checked, outcome, picks, where, names, again)
    if outcome.common.empty:
        sys.exit(1)


@contextmanager
def _here(out: Path | str | None, *, resume: bool) -> Iterator[tuple[Path | None, Mirror | None]]:
    """Give the directory that a run works in, and what copies it to where it belongs."""
    if not isinstance(out, str):
        yield out, None
        return
    from optimize.storage import mirrored

    with mirrored(out, resume=resume, tell=lambda text: click.echo(text, err=True)) as mirror:
        yield mirror.folder, mirror


def _point_to_the_copy(study: Path, *, resume: bool, out: Path | str | None) -> None:
    """Say where the study still is when a run is to go on and its file has vanished."""
    from evaluate.errors import InputError

    copy = out / "study.toml" if resume and isinstance(out, Path) else None
    if copy and copy.is_file() and not study.exists():
        raise InputError(str(study), "no such file", f"the study; the run has a copy of it, {copy}")


def _print_outcome(
    study: Study,
    outcome: Outcome,
    picks: list[Pick],
    folder: Path | str | None,
    names: list[str],
    again: str,
) -> None:
    from optimize.tables import print_shortlist
    from optimize.texts import CAUTION

    if picks:
        print_shortlist(study, outcome.common, picks)
        click.echo(CAUTION)
    else:
        click.echo(
            "No feasible design was found; summary.md says which constraint is missed least."
        )
    if not outcome.is_complete:
        click.echo(f"Stopped early. Go on with: {again}")
    drawn = "pictures and summary.md" if "pictures" in names else "summary.md"
    click.echo(f"Front of {len(outcome.common)} designs, {drawn} in {folder}")


def _fact_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add the options that state facts."""
    several: dict[str, Any] = {"multiple": True, "metavar": "LIST"}
    ends = click.Choice(["free end", "driving end"])
    senses = click.Choice(["clockwise", "anticlockwise"])
    options = [
        click.option("--same-tdc", **several, help="1,4: reach top dead centre together."),
        click.option("--next", "after", **several, help="1,3: 3 fires right after 1."),
        click.option("--order", **several, help="1,3,2: all or some fire in this order."),
        click.option(
            "--apart", **several, help="1,3,180: fire so many degrees of crank apart, either way."
        ),
        click.option(
            "--tdc-apart",
            **several,
            help="1,2,90: dead centres so many degrees of crank apart, either way.",
        ),
        click.option(
            "--crankpins",
            **several,
            help="1,2+5,3+4: throws as met going round the standing crank in its direction of "
            "rotation, + for together.",
        ),
        click.option(
            "--lobes",
            **several,
            help="1,3,4,2 or 1@0,3@90,...: lobes of one kind as met going round a standing "
            "camshaft, with degrees of camshaft; of two, the second within half a turn.",
        ),
        click.option(
            "--lobes-seen-from",
            type=ends,
            default="free end",
            show_default=True,
            help="Where one looks from, for all --lobes; a [facts] table can have both ends.",
        ),
        click.option(
            "--lobes-met",
            type=senses,
            default="clockwise",
            show_default=True,
            help="How one goes round, as seen from there.",
        ),
        click.option(
            "--tolerance",
            type=float,
            metavar="DEG",
            help="How far stated angles may be off, of crank or of camshaft; default 2.",
        ),
        click.option(
            "--gears",
            type=click.IntRange(2, 100),
            help="Gears from crank to camshaft, both ends and idlers counted.",
        ),
        click.option("--drive", type=click.Choice(["chain", "belt"]), help="Instead of gears."),
    ]
    for option in reversed(options):
        command = option(command)
    return command


@main.command(
    "firing-orders",
    epilog="\b\nTry: crankfront firing-orders studies/layouts/v-eight-cross-plane.toml --next 1,8",
)
@click.argument("layout", type=click.Path(path_type=Path))
@_fact_options
@click.option("--all", "every", is_flag=True, help="Uneven orders too, not only even ones.")
@click.option(
    "--collectors",
    type=click.IntRange(1, 8),
    default=2,
    show_default=True,
    help="Into how many exhaust collectors to find the best split.",
)
@click.option("--most", type=click.IntRange(1), default=24, show_default=True, help="Rows to show.")
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
@click.option(
    "--parquet", type=click.Path(path_type=Path), metavar="FILE.parquet", help="Write all rows."
)
@click.option(
    "--tree",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Draw the tree of choices (FILE.png and FILE.svg).",
)
@click.option(
    "--save",
    type=click.Path(path_type=Path),
    metavar="FILE.toml",
    help="Write a layout file with the first order that is left.",
)
def firing_orders(layout: Path, **options: Any) -> None:
    """List the firing orders that a crank allows, cut down by facts.

    Labels stand with commas between; options can be given several times. Facts may also stand in
    the file, in a [facts] table. Where the file gives throw_angle_step_deg instead of throw
    angles, all cranks of that lattice that agree with the facts are listed.
    """
    _require_own_evaluate()
    from optimize.bench_session import list_orders

    list_orders(layout, options)


@main.command(
    epilog="\b\nTry: crankfront compare studies/layouts/v-eight-cross-plane.toml "
    "studies/layouts/v-eight-flat-plane.toml"
)
@click.argument(
    "layouts", nargs=-1, required=True, metavar="LAYOUT...", type=click.Path(path_type=Path)
)
@click.option("--speed", type=_Finite(0.01, 1e6), metavar="RPM", help="One speed for all of them.")
@click.option("--json", "as_json", is_flag=True, help="Print the table as JSON.")
@click.option(
    "--picture",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Draw them side by side (FILE.png and FILE.svg).",
)
def compare(
    layouts: tuple[Path, ...], speed: float | None, as_json: bool, picture: Path | None
) -> None:
    """Put layouts side by side: firing, what shakes, size and price."""
    _require_own_evaluate()
    from optimize.comparison import compare_layouts

    compare_layouts(layouts, speed_rpm=speed, as_json=as_json, picture=picture)


def _run_dir(command: Callable[..., None]) -> Callable[..., None]:
    """Add the argument RUN_DIR of commands that read a run; one elsewhere is fetched first."""

    @functools.wraps(command)
    def with_run(run_dir: Path | str, **options: Any) -> None:
        if isinstance(run_dir, Path):
            command(run_dir=run_dir, **options)
            return
        from evaluate.errors import InputError
        from optimize.storage import fetched, of_results

        if options.get("watch"):
            raise InputError("--watch", run_dir, "a directory of this machine")
        with fetched(run_dir, "RUN_DIR", wanted=of_results) as folder:
            command(run_dir=folder, **options)

    return click.argument("run_dir", type=_Place())(with_run)


@main.command(epilog="Try: crankfront status results/compact-four-stroke --watch")
@_run_dir
@click.option("--watch", is_flag=True, help="Show it again every few seconds, until the run ends.")
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
def status(run_dir: Path, watch: bool, as_json: bool) -> None:
    """Say how far a run is: each family and seed, the front so far, the time left.

    For another terminal while a run goes on, and for afterwards.
    """
    from optimize.status_tables import print_status

    print_status(run_dir, watch=watch, as_json=as_json)


@main.command(epilog="Try: crankfront verify results/compact-four-stroke --sample 5000")
@_run_dir
@click.option(
    "--sample",
    type=click.IntRange(0),
    metavar="N",
    default=20_000,
    show_default=True,
    help="Random candidates of all families, none of which may be better than the front.",
)
@click.option("--seed", type=click.IntRange(0), help="Of the sample; default: the study's.")
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
def verify(run_dir: Path, sample: int, seed: int | None, as_json: bool) -> None:
    """Check a run directory: hashes, every front member again, the space, a random sample.

    Exit status 0 when all holds, 1 when something does not.
    """
    _require_own_evaluate()
    from optimize.exact.printed import verify_and_print

    if not verify_and_print(run_dir, sample=sample, seed=seed, as_json=as_json):
        sys.exit(1)


@main.command(epilog="Try: crankfront gap results/compact-four-stroke --json")
@_run_dir
@click.option(
    "--exact",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Run directory of an enumeration of the same space; by default it is done now.",
)
@click.option("--workers", type=click.IntRange(1, 256), help="Processes; default: all cores.")
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
def gap(run_dir: Path, exact: Path | None, workers: int | None, as_json: bool) -> None:
    """Say how near a search came to the exact front of its space.

    Shares of the exact front's hypervolume and of its members, for all families together and for
    each; families that cannot be enumerated are left out and named.
    """
    _require_own_evaluate()
    from optimize.exact.printed import gap_and_print

    gap_and_print(run_dir, exact=exact, workers=workers, as_json=as_json)


@main.command(epilog="Try: crankfront polish results/compact-four-stroke --evaluations 3000")
@click.argument("run_dir", type=_Place())
@click.option(
    "--study",
    type=click.Path(path_type=Path),
    metavar="STUDY.toml",
    help="Space to polish in, with the run's givens, families and objectives; by default the "
    "run's own with continuous throw angles.",
)
@click.option(
    "--evaluations",
    type=click.IntRange(1, 10**7),
    metavar="N",
    default=1500,
    show_default=True,
    help="Designs scored for each start at most.",
)
@click.option(
    "--out",
    type=_Place(),
    help='New run directory; by default RUN_DIR with "-polished".',
)
@click.option("--workers", type=click.IntRange(1, 256), help="Processes; default: all cores.")
@click.option("--pictures/--no-pictures", default=True, help="Whether to draw pictures.")
def polish(
    run_dir: Path | str,
    study: Path | None,
    evaluations: int,
    out: Path | str | None,
    workers: int | None,
    pictures: bool,
) -> None:
    """Move the designs of a run downhill in continuous angles, and say what that gained.

    Starts from every member of every family's own front; firing order, shafts and banks stay.
    Nothing is proved for continuous angles.
    """
    _require_own_evaluate()
    from evaluate.errors import InputError
    from optimize.polish_session import polish_and_write
    from optimize.storage import fetched
    from optimize.tables import print_shortlist
    from optimize.texts import CAUTION

    if isinstance(run_dir, str) and out is None:
        raise InputError("--out", "none", "where the polished run shall be, as --out DIR")
    with fetched(run_dir, "RUN_DIR") as source, _here(out, resume=False) as (folder, mirror):
        done = polish_and_write(
            source,
            study_file=study,
            evaluations=evaluations,
            out=folder,
            workers=workers,
            pictures=pictures,
        )
    if done.picks:
        print_shortlist(done.study, done.common, done.picks)
        click.echo(CAUTION)
    click.echo(done.headline)
    where = done.folder if mirror is None else mirror.url
    click.echo(f"Front of {len(done.common)} designs, polish.json and summary.md in {where}")
    if done.common.empty:
        sys.exit(1)


@main.command(epilog="Try: crankfront equals results/every-v-eight D6")
@_run_dir
@click.argument("design", shell_complete=complete_design)
@click.option(
    "--most", type=click.IntRange(1), default=200, show_default=True, help="Designs to stop at."
)
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
@click.option(
    "--parquet", type=click.Path(path_type=Path), metavar="FILE.parquet", help="Write all columns."
)
def equals(run_dir: Path, design: str, most: int, as_json: bool, parquet: Path | None) -> None:
    """List all designs that a member of a front stands for.

    They have the same rounded objectives, so no difference that matters; the lattice is gone
    through once more for them.
    """
    _require_own_evaluate()
    from optimize.exact.equals_session import list_equals

    list_equals(run_dir, design, most=most, as_json=as_json, parquet=parquet)


@main.command(epilog="Try: crankfront cluster --workers 4")
@click.option("--workers", type=click.IntRange(1, 256), help="Processes; default: all cores.")
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=8786,
    show_default=True,
    help="Of the scheduler; 0 for any that is free.",
)
@click.option("--dashboard", is_flag=True, help="Serve Dask's pages on what the workers do.")
def cluster(workers: int | None, port: int, dashboard: bool) -> None:
    """Start a Dask cluster on this machine, for --cluster; Ctrl-C ends it.

    It listens to this machine only. For several machines start Dask's own scheduler and workers.
    """
    _require_own_evaluate()
    from optimize.local_cluster import serve

    def tell(address: str, page: str | None) -> None:
        if page is not None:
            click.echo(f"Dashboard at {page}")
        click.echo(
            f"Scheduler at {address}, {count} worker(s); Ctrl-C ends them. In another shell:"
        )
        click.echo(f"crankfront optimize STUDY.toml --cluster {address}")

    count = workers or os.cpu_count() or 1
    serve(workers=count, port=port, with_dashboard=dashboard, tell=tell)


@main.command(epilog="Try: crankfront runs results")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
def runs(folder: Path, as_json: bool) -> None:
    """List the runs under a directory, the oldest first: what, when, how large, in what state.

    Exit status 1 when there is none.
    """
    _require_own_evaluate()
    from optimize.catalogue_session import list_runs

    if not list_runs(folder, as_json=as_json):
        sys.exit(1)


@main.command(
    epilog="\b\nTry: crankfront query results "
    "'crank_length_mm < 600 and second_order_couple_Nm == 0'"
)
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.argument("expression", shell_complete=complete_expression)
@click.option(
    "--columns",
    metavar="A,B,...",
    help="Further columns of the fronts to show.",
    shell_complete=complete_metric,
)
@click.option(
    "--sort",
    metavar="COLUMN",
    help="Best first; else in the order of the runs.",
    shell_complete=complete_metric,
)
@click.option("--most", type=click.IntRange(1), metavar="N", help="Designs to keep.")
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
@click.option(
    "--parquet",
    type=click.Path(path_type=Path),
    metavar="FILE.parquet",
    help="Write all columns of the designs found.",
)
@click.option(
    "--layouts",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Write each design found as a layout file.",
)
@click.option(
    "--all-fronts", is_flag=True, help="Every family's own front, dominated or not, of all runs."
)
def query(folder: Path, expression: str, **options: Any) -> None:
    """Find the designs of all runs under a directory for which EXPRESSION holds.

    EXPRESSION compares columns of the fronts (`crankfront metrics`, and family, cylinders, pins,
    bank_angle_deg, shafts, run, study, ...) with numbers or 'texts', with and, or, not, in and
    arithmetic: "cylinders in [4, 6] and '1 backward' in shafts". Numbers that agree to nine digits
    are equal; what is below a millionth of a metric's resolution is 0. Exit status 1 when no
    design is like that.
    """
    _require_own_evaluate()
    from optimize.catalogue_session import query_runs

    if not query_runs(folder, expression, **options):
        sys.exit(1)


@main.command(epilog="Try: crankfront export results/compact-four-stroke D3 --out d3.toml")
@_run_dir
@click.argument("design", shell_complete=complete_design)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="FILE.toml",
    help="File to write; else it is printed.",
)
@click.option(
    "--front",
    type=click.Choice(["common", "families"]),
    help="Look only there: the common front, or every family's own; by default both.",
)
def export(run_dir: Path, design: str, out: Path | None, front: str | None) -> None:
    """Write any design of a run as a layout file, which `evaluate` scores the same.

    Its first line says of which study, family, seed and generation it is.
    """
    _require_own_evaluate()
    from optimize.one_design import export_design

    text = export_design(run_dir, design, out=out, front=front)
    click.echo(text if out is None else f"wrote {out}", nl=out is not None, err=out is not None)


@main.command(
    epilog="\b\nTry: crankfront why results/compact-four-stroke "
    "studies/layouts/in-line-four-flat.toml"
)
@_run_dir
@click.argument("layout", type=click.Path(path_type=Path))
@click.option(
    "--as-filed",
    is_flag=True,
    help="Judge the layout with its own size, speed and masses, not at the study's givens.",
)
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
def why(run_dir: Path, layout: Path, as_filed: bool, as_json: bool) -> None:
    """Say where a layout stands against the front of a run, and what would have to change.

    It is brought to the study's displacement, speed and proportions as a design of its family,
    where studies know such a family: limits that it breaks, what dominates it and by how much, the
    nearest designs and in what they differ, its family's own front beside the common one.
    """
    _require_own_evaluate()
    from optimize.why_session import answer_and_print

    answer_and_print(run_dir, layout, as_filed=as_filed, as_json=as_json)


@main.command(epilog="Try: crankfront report results/compact-four-stroke")
@click.argument(
    "run_dirs",
    nargs=-1,
    required=True,
    metavar="RUN_DIR...",
    type=click.Path(path_type=Path),
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Where to write report.html and report.pdf; default: the first run directory.",
)
def report(run_dirs: tuple[Path, ...], out: Path | None) -> None:
    """Tell a run to those who decide: one page that opens anywhere, and a PDF.

    The options and what each costs, how sure the result is, the baseline; in the page the front
    can be filtered, compared and opened design by design. Of several runs the first is told, and
    the others are compared with it.
    """
    _require_own_evaluate()
    from optimize.report.session import report_runs
    from optimize.texts import CAUTION

    written = report_runs(run_dirs, out=out)
    click.echo(written.answer)
    click.echo(CAUTION)
    click.echo(f"wrote {written.page} and {written.printed}", err=True)


@main.command(epilog="Try: crankfront schema study --out study.schema.json")
@click.argument("kind", type=click.Choice(["study", "layout"]))
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="FILE.json",
    help="File to write; else it is printed.",
)
def schema(kind: str, out: Path | None) -> None:
    """Give the JSON Schema of study or layout files, with which editors complete and check them.

    A first line "#:schema ./study.schema.json" in a TOML file tells many editors where it is.
    """
    _require_own_evaluate()
    from optimize.schemas import write_schema

    text = write_schema(kind, out=out)
    click.echo(text if out is None else f"wrote {out}", err=out is not None)


@main.command(epilog="Try: crankfront metrics --json")
@click.option("--json", "as_json", is_flag=True, help="Print the table as JSON.")
def metrics(as_json: bool) -> None:
    """List all metrics: key, unit, what is better, meaning, default resolution, source."""
    _require_own_evaluate()
    from evaluate import METRICS

    rows = [
        {
            "key": m.key,
            "unit": m.unit,
            "sense": m.sense,
            "meaning": m.meaning,
            "resolution": m.resolution,
            "source": m.source,
        }
        for m in METRICS.values()
    ]
    if as_json:
        import json

        click.echo(json.dumps(rows, indent=1, ensure_ascii=False))
    else:
        from optimize.tables import print_rows

        print_rows("Metrics", rows)


if __name__ == "__main__":
    main()
