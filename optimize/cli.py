"""The command line: parse, call one function, print. Heavy imports wait until a command runs."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from optimize.run import Outcome
    from optimize.shortlist import Pick
    from optimize.study import Study


class _Group(click.Group):
    """A group whose commands turn bad input into one message and exit status 2."""

    def invoke(self, ctx: click.Context) -> Any:
        if ctx.params.get("debug"):
            return super().invoke(ctx)
        try:
            return super().invoke(ctx)
        except (click.ClickException, click.exceptions.Exit, click.Abort):
            raise
        except Exception as error:
            if _is_input_error(error):
                click.echo(f"crankfront: {error}", err=True)
                ctx.exit(2)
            raise


def _is_input_error(error: Exception) -> bool:
    module = sys.modules.get("evaluate.errors")
    return module is not None and isinstance(error, module.InputError)


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
    help="Draw the layout into a directory (PNG and SVG).",
)
def evaluate(layout: Path, as_json: bool, plots: Path | None) -> None:
    """Evaluate one layout file: what shakes, when it fires, what it takes."""
    _require_own_evaluate()
    from evaluate import evaluation_document, read_layout

    checked = read_layout(layout)
    document = evaluation_document(checked)
    if plots is not None:
        from optimize.files import writable_directory

        writable_directory(plots, "--plots")
    if as_json:
        import json

        click.echo(json.dumps(document, indent=1, ensure_ascii=False))
    else:
        from optimize.tables import print_evaluation

        print_evaluation(document)
    if plots is not None:
        from optimize import cards
        from optimize import plots as drawing

        figure = cards.design_card(checked, title=checked.name)
        for path in drawing.save(figure, plots / layout.stem):
            click.echo(f"wrote {path}", err=True)


@main.command(epilog="Try: crankfront optimize studies/compact-four-stroke.toml --out results/try")
@click.argument("study", type=click.Path(path_type=Path))
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Run directory; by default a new one under results/.",
)
@click.option("--resume", is_flag=True, help="Go on with the run in --out from where it stopped.")
@click.option("--workers", type=click.IntRange(1, 256), help="Processes; default: all cores.")
@click.option("--seed", type=click.IntRange(0), help="Take this seed instead of the study's.")
@click.option("--pictures/--no-pictures", default=True, help="Whether to draw pictures.")
def optimize(
    study: Path,
    out: Path | None,
    resume: bool,
    workers: int | None,
    seed: int | None,
    pictures: bool,
) -> None:
    """Search a study: fronts of all families, merged into one, with pictures and a shortlist.

    Ctrl-C once finishes the round, saves and writes what is there; --resume goes on.
    """
    _require_own_evaluate()
    from optimize.session import search_and_write

    outcome, picks, folder, checked = search_and_write(
        study, out=out, resume=resume, workers=workers, seed=seed, pictures=pictures
    )
    _print_outcome(checked, outcome, picks, folder)
    if outcome.common.empty:
        sys.exit(1)


def _print_outcome(study: Study, outcome: Outcome, picks: list[Pick], folder: Path) -> None:
    from optimize.summary import CAUTION
    from optimize.tables import print_shortlist

    if picks:
        print_shortlist(study, outcome.common, picks)
        click.echo(CAUTION)
    else:
        click.echo(
            "No feasible design was found; summary.md says which constraint is missed least."
        )
    if not outcome.is_complete:
        click.echo(f"Stopped early. Go on with: crankfront optimize STUDY --out {folder} --resume")
    click.echo(f"Front of {len(outcome.common)} designs, pictures and summary.md in {folder}")


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
