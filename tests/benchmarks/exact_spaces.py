"""Whole spaces by the command itself: seconds, memory and candidates, and how these grow."""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import tomli_w

from tests.benchmarks.timing import Row

BANK_ANGLES_DEG = (60.0, 65.0, 70.0, 72.0, 75.0, 80.0, 84.0, 90.0, 96.0, 105.0, 112.5, 120.0)
PROCESSES = 2
STEPS_DEG = (30.0, 20.0, 15.0, 12.0, 10.0, 7.5, 5.0)


def study_tables(
    cylinders: int, arrangement: str, pins: str, *, step_deg: float = 15.0
) -> dict[str, Any]:
    """Return a study of one family: default objectives, two fractions, all shaft slots."""
    space: dict[str, Any] = {
        "cylinders": [cylinders],
        "arrangements": [arrangement],
        "throw_angle_step_deg": step_deg,
        "bank_angle_deg": list(BANK_ANGLES_DEG),
        "reciprocating_fraction": [0.25, 0.5],
        "balance_shafts": {"slots": ["1 backward", "2 forward", "2 backward"], "at_most": 3},
    }
    if pins:
        space["pins"] = [pins]
    return {
        "study": {"name": "benchmark"},
        "engine": {"displacement_cm3": 500.0 * cylinders, "speed": {"rpm": 5000.0}},
        "space": space,
    }


def whole_rows() -> list[Row]:
    """Time complete spaces, up to some million million candidates."""
    rows: list[Row] = []
    for name, tables, target in (
        ("V8 shared, 12 bank angles", study_tables(8, "v", "shared"), "under 30 s, 2 GiB"),
        ("in-line 8", study_tables(8, "in-line", ""), ""),
        ("V12 shared, 12 bank angles", study_tables(12, "v", "shared"), "under 300 s, 2 GiB"),
    ):
        seconds, megabytes, raw = enumerated(tables)
        rows.append(
            (
                f"crankfront enumerate of {name}, 15 deg, {raw:.2g} candidates: s, and MB of the "
                "largest process",
                f"{seconds:.1f}, {megabytes:.0f}",
                f"{raw / seconds:.1g} candidates/s",
                target,
            )
        )
    return rows


def growth_rows() -> list[Row]:
    """Time V8s with shared pins over the lattice step."""
    rows: list[Row] = []
    for step_deg in STEPS_DEG:
        seconds, megabytes, raw = enumerated(study_tables(8, "v", "shared", step_deg=step_deg))
        rows.append(
            (
                f"the same of V8 shared, step {step_deg:g} deg, {raw:.2g} candidates: s, MB",
                f"{seconds:.1f}, {megabytes:.0f}",
                f"{raw / seconds:.1g} candidates/s",
                "",
            )
        )
    return rows


def enumerated(tables: dict[str, Any]) -> tuple[float, float, float]:
    """Return seconds, megabytes of the largest process, and candidates of an enumeration."""
    command = str(Path(sys.executable).with_name("crankfront"))
    measure = (
        "import resource, subprocess, sys\n"
        "quiet = subprocess.DEVNULL\n"
        "subprocess.run(sys.argv[1:], check=True, stdout=quiet, stderr=quiet)\n"
        "print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)\n"
    )
    with tempfile.TemporaryDirectory() as folder:
        study, out = Path(folder) / "study.toml", Path(folder) / "run"
        study.write_text(tomli_w.dumps(tables), encoding="utf-8")
        arguments = [command, "enumerate", str(study), "--out", str(out), "--no-pictures"]
        arguments += ["--workers", str(PROCESSES)]
        began = time.perf_counter()
        done = subprocess.run(
            [sys.executable, "-c", measure, *arguments], check=True, capture_output=True, text=True
        )
        seconds = time.perf_counter() - began
        certificate = json.loads((out / "certificate.json").read_text(encoding="utf-8"))
    raw = float(sum(family["raw"] for family in certificate["families"]))
    return seconds, int(done.stdout) / 1024, raw
