"""What shells complete beside files: metrics, designs. Quick, so nothing heavy is imported."""

from __future__ import annotations

import re
from importlib.util import find_spec
from pathlib import Path

import click
from click.shell_completion import CompletionItem

_DESIGN = re.compile(r"([DF]\d+)-(.+)\.toml")


def metric_keys() -> list[str]:
    """Return the keys of all metrics, read off the text of the table.

    Importing it takes half a second and more, for which nobody waits at a prompt.
    """
    import ast

    spec = find_spec("evaluate")
    if spec is None or not spec.submodule_search_locations:
        return []
    source = Path(spec.submodule_search_locations[0]) / "metrics.py"
    for node in ast.parse(source.read_text("utf-8")).body:
        if isinstance(node, ast.AnnAssign) and getattr(node.target, "id", "") == "_TABLE":
            return [line.elts[0].value for line in node.value.elts]  # type: ignore[union-attr]
    return []


def complete_metric(
    _context: click.Context, _parameter: click.Parameter, incomplete: str
) -> list[CompletionItem]:
    """Return the metrics with which the last of several names with commas may go on."""
    before, comma, last = incomplete.rpartition(",")
    found = [key for key in metric_keys() if key.startswith(last)]
    return [CompletionItem(before + comma + key) for key in found]


def complete_expression(
    _context: click.Context, _parameter: click.Parameter, incomplete: str
) -> list[CompletionItem]:
    """Return an expression with its last word completed to a metric."""
    match = re.search(r"[A-Za-z_]\w*$", incomplete)
    if match is None and incomplete.strip():
        return []
    begin = incomplete[: match.start()] if match else incomplete
    word = match.group() if match else ""
    return [CompletionItem(begin + key) for key in metric_keys() if key.startswith(word)]


def complete_design(
    context: click.Context, _parameter: click.Parameter, incomplete: str
) -> list[CompletionItem]:
    """Return the designs on the shortlist of the run that was named before."""
    run_dir = context.params.get("run_dir")
    if run_dir is None or "://" in str(run_dir):
        return []
    folder = Path(run_dir) / "shortlist"
    names = sorted(folder.glob("*.toml")) if folder.is_dir() else []
    found = [match for name in names if (match := _DESIGN.fullmatch(name.name))]
    found.sort(key=lambda match: (match[1][0], int(match[1][1:])))
    return [
        CompletionItem(match[1], help=match[2].replace("-", " "))
        for match in found
        if match[1].startswith(incomplete)
    ]
