"""Run directories for tests of verification and closeness, and ways to spoil them.

Until a directory is spoilt it holds a space that was searched to the end: so small that the search
tries every design (`test_brute_force.py` shows that it then does), with a certificate whose counts
are worked out by hand below.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from click.testing import CliRunner

from optimize import run
from optimize.checkpoint import study_hash
from optimize.cli import main
from optimize.exact.certificate import front_hash
from optimize.exact.run_files import TABLES
from optimize.files import json_text
from optimize.fronts import package_versions, read_front, write_front
from optimize.results import write_results
from optimize.study import Study, read_study
from tests.optimize.small_studies import in_this_process, metrics, write_study

#: In line and V, shared pins and own throws, two bank angles, two fractions, one shaft or none.
TINY: dict[str, Any] = {
    "study": {"name": "tiny", "seed": 4},
    "space": {
        "cylinders": [2, 3],
        "arrangements": ["in-line", "v"],
        "pins": ["shared", "own-web"],
        "bank_angle_deg": [60.0, 90.0],
        "throw_angle_step_deg": 60.0,
        "reciprocating_fraction": [0.0, 0.5],
        "balance_shafts": {"slots": ["1 backward"], "at_most": 1},
    },
    "constraints": {"largest_interval_factor": 2.0},
    "objectives": metrics(
        ("force_rms_N", 1000.0),
        ("couple_rms_Nm", 50.0),
        ("firing_fluctuation", 0.04),
        ("exhaust_spacing_min_deg", 60.0),  # more is better
    ),
    "search": {"population": 60, "evaluations": 100_000},
}
# Six angles for each throw but the first, a bit for each cylinder but the first, then bank angles,
# ways to deal the cylinders out to banks, and 2 fractions x 2 sets of shafts.
RAW = {
    "in-line 2": 6 * 2 * 4,
    "V2 shared": 1 * 2 * 2 * 4,
    "V2 own-web": 6 * 2 * 2 * 2 * 4,
    "in-line 3": 36 * 4 * 4,
    "V3 own-web": 36 * 4 * 2 * 3 * 4,
}


def searched_run(folder: Path, **tables: Any) -> Path:
    """Search a small study in this process and return its run directory."""
    folder.mkdir()
    study = read_study(write_study(folder, **tables))
    (folder / "small.toml").rename(folder / "study.toml")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(run, "_pool", in_this_process)
        outcome = run.run_study(study, folder, workers=1)
    write_results(study, outcome, folder, pictures=False)
    return folder


def enumerated_run(folder: Path, **tables: Any) -> Path:
    """Run `crankfront enumerate` on a small study in this process; return its run directory."""
    study = write_study(folder.parent, **tables)
    options = ["--out", str(folder), "--workers", "1", "--no-pictures"]
    result = CliRunner().invoke(main, ["enumerate", str(study), *options])
    assert result.exit_code == 0, (result.output, result.exception)
    return folder


def certified_run(folder: Path) -> Path:
    """Return a run of `TINY` in which every design was tried, with its certificate."""
    searched_run(folder, **TINY)
    with_certificate(folder, RAW)
    return folder


def with_certificate(folder: Path, raw: dict[str, int]) -> None:
    """Write a certificate for what stands in a run directory."""
    families = [{"family": name, "raw": count, "distinct": None} for name, count in raw.items()]
    write_certificate(
        folder,
        {
            "schema": "crankfront.certificate/1",
            "versions": package_versions(),
            "tolerances": {"tie_share_of_resolution": 1e-6},
            "is_complete": True,
            "families": families,
            "not_enumerated": [],
        },
    )
    certify_again(folder)


def certify_again(folder: Path) -> None:
    """Put the hashes and counts of what stands there now into the certificate."""
    study, known = read_study(folder / "study.toml"), certificate(folder)
    common, rows = (read_front(folder / f"{name}.parquet") for name in TABLES)
    known["study"], known["study_sha256"] = study.name, study_hash(study.text)
    known["front_sha256"] = front_hash(common, study)
    for family in known["families"]:
        mine = rows[rows["family"] == family["family"]] if len(rows) else rows
        family["members"], family["front_sha256"] = len(mine), front_hash(mine, study)
    write_certificate(folder, known)


def certificate(folder: Path) -> dict[str, Any]:
    """Return the certificate of a run directory."""
    known: dict[str, Any] = json.loads((folder / "certificate.json").read_text("utf-8"))
    return known


def write_certificate(folder: Path, known: dict[str, Any]) -> None:
    """Write a certificate."""
    (folder / "certificate.json").write_text(json_text(known), encoding="utf-8")


def rewrite(
    folder: Path,
    change: Callable[[pd.DataFrame], pd.DataFrame],
    *,
    names: tuple[str, ...] = TABLES,
    study: Study | None = None,
) -> None:
    """Write tables of a run directory again, changed."""
    study = study or read_study(folder / "study.toml")
    for name in names:
        path = folder / f"{name}.parquet"
        table = read_front(path)
        write_front(path, change(table.copy()), study, extra={})
