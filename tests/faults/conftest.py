"""Runs, disks and studies for faults."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.faults.disks import SmallDisk, small_disk
from tests.faults.launching import Launch, crankfront
from tests.optimize.small_studies import metrics, write_study

SMALL = {
    "space": {
        "cylinders": [3, 4],
        "arrangements": ["in-line", "v"],
        "pins": ["own-web"],
        "bank_angle_deg": [60.0, 90.0],
        "throw_angle_step_deg": 30.0,
    },
    "constraints": {"largest_interval_factor": 1.75},
    "objectives": metrics(("force_rms_N", 200.0), ("couple_rms_Nm", 20.0)),
    "search": {"population": 20, "evaluations": 1200, "seeds": 2, "exact": "never"},
}
Start = Callable[..., Launch]


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[SmallDisk]:
    with small_disk(tmp_path / "disk") as disk:
        yield disk


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    """Return what starts the command; what is still at work after the test is ended."""
    launches: list[Launch] = []

    def begin(*arguments: object, **options: Any) -> Launch:
        said = tmp_path / f"said-{len(launches)}.txt"
        launches.append(Launch(arguments, said, **options))
        return launches[-1]

    yield begin
    for launch in launches:
        launch.close()


@pytest.fixture(scope="session")
def study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_study(tmp_path_factory.mktemp("study"), **SMALL)


@pytest.fixture(scope="session")
def undisturbed(study: Path) -> Callable[[str], Path]:
    """Return the run directory of a command that nothing happened to."""
    folders: dict[str, Path] = {}

    def folder(command: str) -> Path:
        if command not in folders:
            folders[command] = study.parent / f"undisturbed-{command}"
            options = ("--out", folders[command], "--workers", 1, "--no-pictures")
            done = crankfront(command, study, *options)
            assert done.status == 0, done.said
        return folders[command]

    return folder
