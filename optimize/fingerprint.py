"""What a result depends on beside its arguments: versions, and how a processor rounds.

Two machines with the same packages may still differ in last digits: numpy and the libraries of
linear algebra choose their instructions by the processor that they find.
"""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Mapping
from functools import lru_cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
import scipy.linalg  # type: ignore[import-untyped]
from threadpoolctl import threadpool_limits

from evaluate.batch import FloatArray
from optimize.families import all_families
from optimize.fronts import package_versions
from optimize.problem import Island
from optimize.seeding import first_genomes
from optimize.study import study_from_tables

Fingerprint = dict[str, Any]
OWN_CODE = "crankfront's own files"
_PACKAGES = ("evaluate", "optimize")
_TABLES: dict[str, Any] = {
    "study": {"name": "fingerprint"},
    "engine": {"displacement_cm3": 2000.0, "speed": {"rpm": 5000.0}},
    "space": {"cylinders": [6], "arrangements": ["v"], "pins": ["split"]},
    "objectives": [
        {"metric": key}
        for key in (
            "force_rms_N",
            "couple_rms_Nm",
            "firing_fluctuation",
            "exhaust_unevenness_deg",
            "torque_ripple_Nm",
            "torsional_amplitude_deg",
        )
    ],
}


@lru_cache(maxsize=1)
def fingerprint() -> Fingerprint:
    """Return versions and a hash of computed numbers of this process, as plain values."""
    with threadpool_limits(1):
        bits = hashlib.sha256()
        for numbers in (*_elementary(), *_scores()):
            bits.update(np.ascontiguousarray(numbers).tobytes())
    versions = {
        **package_versions(),
        "distributed": version("distributed"),
        "Python": ".".join(platform.python_version_tuple()[:2]),
        OWN_CODE: _code(),
    }
    return {"versions": versions, "bits": bits.hexdigest()}


def other_versions(mine: Fingerprint, theirs: Fingerprint) -> str:
    """Return which versions differ, as ``numpy 2.3.0 instead of 2.4.6``; empty when none does."""
    wanted: Mapping[str, str] = mine["versions"]
    found: Mapping[str, str] = theirs["versions"]
    return ", ".join(
        f"{name} {found.get(name, 'missing')} instead of {version}"
        for name, version in wanted.items()
        if found.get(name) != version
    )


def _elementary() -> list[FloatArray]:
    """Return what elementary functions, sums and linear algebra make of fixed numbers."""
    x = np.random.default_rng(20).uniform(-20.0, 20.0, (64, 64))
    positive = np.abs(x) + 0.1
    symmetric = x @ x.T
    return [
        *(f(x) for f in (np.sin, np.cos, np.exp, np.tanh)),
        *(f(positive) for f in (np.sqrt, np.log, np.cbrt)),
        np.arctan2(x, x.T),
        np.power(positive, x.T / 20.0),
        np.hypot(x, x.T),
        x.sum(axis=0),
        x.sum(axis=1),
        np.einsum("ij,jk->ik", x, x),
        np.abs(np.fft.fft(x)),
        symmetric,
        scipy.linalg.eigvalsh(symmetric),
        np.linalg.solve(symmetric + 1e3 * np.eye(64), x),
    ]


def _scores() -> tuple[FloatArray, FloatArray]:
    """Return objectives and violations of a few designs."""
    study = study_from_tables(_TABLES)
    island = Island(study, all_families(study)[0][0])
    return island.score(first_genomes(island.genome, 32, np.random.default_rng(20)))


def _code() -> str:
    """Return a short hash of our own files: a version number outlives many changes."""
    import evaluate

    root = Path(evaluate.__file__).parents[1]
    found = hashlib.sha256()
    for package in _PACKAGES:
        for file in sorted((root / package).rglob("*.py")):
            found.update(file.relative_to(root).as_posix().encode())
            found.update(file.read_bytes())
    return found.hexdigest()[:12]
