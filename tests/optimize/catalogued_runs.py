"""A directory with runs of several kinds, made by the commands, for tests of the catalogue."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from click.testing import CliRunner, Result

from evaluate import METRICS
from optimize.cli import main
from optimize.fronts import METADATA_KEY
from tests.optimize.small_studies import metrics, write_study

#: In line and V with splayed pins and throws of their own, continuous angles, two repetitions.
SEARCHED: dict[str, Any] = {
    "study": {"name": "searched twice", "seed": 11},
    "space": {
        "cylinders": [2, 4],
        "arrangements": ["in-line", "v"],
        "pins": ["split", "own-web"],
        "bank_angle_deg": {"from": 60.0, "to": 100.0},
        "throw_angle_step_deg": 0.0,
        "reciprocating_fraction": [0.0, 0.5],
        "balance_shafts": {"slots": ["1 backward", "2 forward", "2 backward"], "at_most": 2},
    },
    "constraints": {"largest_interval_factor": 2.0},
    "objectives": metrics(("force_rms_N", 200.0), ("couple_rms_Nm", 20.0), ("parts", 1.0)),
    "search": {"population": 16, "evaluations": 3000, "seeds": 2},
}
ENUMERATED: dict[str, Any] = {
    "study": {"name": "every in-line four", "seed": 3},
    "space": {
        "cylinders": [4],
        "arrangements": ["in-line"],
        "throw_angle_step_deg": 90.0,
        "reciprocating_fraction": [0.5],
        "balance_shafts": {"slots": ["2 forward", "2 backward"], "at_most": 2},
    },
    "objectives": metrics(("force_rms_N", 50.0), ("couple_rms_Nm", 5.0), ("parts", 1.0)),
}
#: Columns and keys that the first version did not write.
LATER_METRICS = [key for key in METRICS if key.startswith(("first_order_", "second_order_"))]
LATER_COLUMNS = ["seed", "seeds_found", *LATER_METRICS]


def crankfront(*arguments: str | Path | int) -> Result:
    """Run a command in this process."""
    result = CliRunner().invoke(main, [str(argument) for argument in arguments])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def make_run(command: str, folder: Path, **tables: Any) -> Path:
    """Run a study by a command and return its run directory."""
    folder.parent.mkdir(parents=True, exist_ok=True)
    study = write_study(folder.parent, **tables)
    result = crankfront(command, study, "--out", folder, "--workers", 1, "--no-pictures")
    study.unlink()
    assert result.exit_code == 0, result.output
    return folder


def make_old(folder: Path) -> None:
    """Take out of a run what the first version did not write."""
    (folder / "status.json").unlink()
    for name in ("front", "family_fronts"):
        path = folder / f"{name}.parquet"
        table = pq.read_table(path)
        known = json.loads(table.schema.metadata[METADATA_KEY])
        known.pop("hypervolume", None)
        known["units"] = {k: unit for k, unit in known["units"].items() if k not in LATER_METRICS}
        table = table.drop_columns([c for c in LATER_COLUMNS if c in table.column_names])
        rewrite(path, table, known)


def rewrite(path: Path, table: pa.Table, metadata: dict[str, Any]) -> None:
    """Write a front with other metadata."""
    kept = {**table.schema.metadata, METADATA_KEY: json.dumps(metadata).encode()}
    pq.write_table(table.replace_schema_metadata(kept), path)


def change_column(path: Path, name: str, values: list[Any]) -> None:
    """Put other values into a column of a front."""
    table = pq.read_table(path)
    table = table.set_column(table.column_names.index(name), name, pa.array(values))
    pq.write_table(table, path)


def fronts_under(root: Path, name: str = "front.parquet") -> pd.DataFrame:
    """Return all fronts as one frame, read by pandas alone, with the run of each row."""
    parts = [
        pd.read_parquet(path).assign(run=path.parent.relative_to(root).as_posix())
        for path in sorted(root.rglob(name))
    ]
    return pd.concat(parts, ignore_index=True)
