"""What `equals` does: a table, JSON or Parquet of the designs that a front's member stands for."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from evaluate.metrics import METRICS, axis_label
from optimize.exact.equals import equals_of_design
from optimize.files import file_to_write, json_text
from optimize.fronts import write_front
from optimize.study import Study, read_study
from optimize.tables import console, print_rows
from optimize.texts import value_text

SCHEMA = "crankfront.equals/1"


def list_equals(
    folder: Path, design: str, *, most: int, as_json: bool, parquet: Path | None
) -> None:
    """List the designs that share the rounded objectives of one member of a run's front.

    Parameters
    ----------
    folder : Path
        Run directory.
    design : str
        Name of the member.
    most : int
        Designs to stop at.
    as_json : bool
        Whether to print JSON instead of a table.
    parquet : Path or None
        Where to write all columns.

    Raises
    ------
    InputError
        If there is no such run, member or lattice, or the file cannot be written.
    """
    file_to_write(parquet, "--parquet", suffix=".parquet")
    table = equals_of_design(folder, design, most=most)
    study = read_study(folder / "study.toml")
    if parquet is not None:
        write_front(parquet, table, study, extra={"equals_of": design})
    if as_json:
        print(json_text(_document(table, design, study)))
    else:
        _print(table, design, study)


def _document(table: pd.DataFrame, design: str, study: Study) -> dict[str, Any]:
    keys = [o.key for o in study.objectives]
    columns = [
        "family",
        "bank_angle_deg",
        "splay_deg",
        "throw_angles_deg",
        "cylinder_banks",
        "firing_angles_deg",
        "firing_order",
        "shafts",
        "reciprocating_fraction",
    ]
    rows = [
        {name: _plain(row[name]) for name in columns}
        | {"objectives": {key: float(row[key]) for key in keys}}
        for _, row in table.iterrows()
    ]
    return {
        "schema": SCHEMA,
        "design": design,
        "is_whole": bool(table.attrs["is_whole"]),
        "count": len(rows),
        "units": {key: METRICS[key].unit for key in keys},
        "designs": rows,
    }


def _plain(value: Any) -> Any:
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    return value.item() if hasattr(value, "item") else value


def _print(table: pd.DataFrame, design: str, study: Study) -> None:
    rows = []
    for _, row in table.iterrows():
        words = {
            "bank [deg]": f"{row['bank_angle_deg']:g}",
            "splay [deg]": f"{row['splay_deg']:g}",
            "throws [deg]": row["throw_angles"],
            "firing order": row["firing_order"],
            "shafts": row["shafts"],
            "balanced": f"{100 * row['reciprocating_fraction']:.3g} %",
        }
        if row["arrangement"] == "in-line":
            del words["bank [deg]"]
        if row["pins"] != "split":
            del words["splay [deg]"]
        if str(row["pins"]).startswith("own"):
            words["banks"] = "".join(str(bank) for bank in row["cylinder_banks"])
        values = {axis_label(o.key): value_text(float(row[o.key])) for o in study.objectives}
        rows.append(words | values)
    family = table["family"].iloc[0]
    print_rows(f"Equals of {design}, {family}: the same when rounded to what matters", rows)
    more = "these are all" if table.attrs["is_whole"] else "there are more: --most"
    console().print(f"{len(rows)} designs; {more}.", highlight=False, markup=False)
