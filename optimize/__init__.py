"""The search for layouts: studies, families, fronts, pictures and the command line.

Nothing heavy is imported until it is used, so that ``crankfront --help`` answers at once.
"""

from importlib import import_module
from typing import Any

# Module and name of each. A name must not be that of a module of this package: Python puts the
# module in its place once something imports it.
_HOMES = {
    "Study": ("optimize.study", "Study"),
    "compare_runs": ("optimize.run_comparison", "compare_runs"),
    "plan_of": ("optimize.run", "plan_of"),
    "read_front": ("optimize.fronts", "read_front"),
    "read_run": ("optimize.exact.run_files", "read_run"),
    "read_study": ("optimize.study", "read_study"),
    "run_study": ("optimize.run", "run_study"),
    "shortlist_of": ("optimize.shortlist", "shortlist"),
    "why_not": ("optimize.why", "why"),
}

__all__ = [
    "Study",
    "compare_runs",
    "plan_of",
    "read_front",
    "read_run",
    "read_study",
    "run_study",
    "shortlist_of",
    "why_not",
]


def __getattr__(name: str) -> Any:
    """Return a public name from the module that holds it."""
    if name in _HOMES:
        module, attribute = _HOMES[name]
        return getattr(import_module(module), attribute)
    raise AttributeError(f"module 'optimize' has no attribute {name!r}")
