"""The search for layouts: studies, families, fronts, pictures and the command line.

Nothing heavy is imported until it is used, so that ``crankfront --help`` answers at once.
"""

from importlib import import_module
from typing import Any

_HOMES = {
    "Study": "optimize.study",
    "plan_of": "optimize.run",
    "read_front": "optimize.fronts",
    "read_study": "optimize.study",
    "run_study": "optimize.run",
    "shortlist": "optimize.shortlist",
}

__all__ = ["Study", "plan_of", "read_front", "read_study", "run_study", "shortlist"]


def __getattr__(name: str) -> Any:
    """Return a public name from the module that holds it."""
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'optimize' has no attribute {name!r}")
