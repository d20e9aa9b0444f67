"""Time and memory of whole runs on processes and on a Dask cluster of this machine.

``make scaling`` prints a table, and draws the memory of a run of a million designs into
``results/sample/memory.png``. With ``--quick`` everything is small, to see that it works.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import psutil
import tomli_w

from tests.benchmarks.exact_spaces import study_tables
from tests.benchmarks.timing import Row, side_by_side

ROOT = Path(__file__).parents[2]
PICTURE = ROOT / "results" / "sample" / "memory.png"
COMMAND = [str(Path(sys.executable).with_name("crankfront"))]
COUNTS = (1, 2)
ROUNDS = 2
SAMPLE_S = 1.0
MEGABYTE = 1e6
LINES = {
    "driver": ("tab:blue", "-"),
    "worker 1": ("tab:orange", "--"),
    "worker 2": ("tab:green", "-."),
    "scheduler": ("tab:red", ":"),
}


def searched(evaluations: int) -> dict[str, Any]:
    """Return a study of ten families and two seeds that is searched."""
    return {
        "study": {"name": "scaling", "seed": 5},
        "engine": {"displacement_cm3": 2400.0, "speed": {"rpm": 5000.0}},
        "space": {"cylinders": [4, 5, 6, 8], "arrangements": ["in-line", "v"]},
        "search": {
            "population": 200,
            "evaluations": evaluations,
            "seeds": 2,
            "exact": "never",
            "settled_after": 1.0,  # so that the whole budget is spent
        },
    }


@contextlib.contextmanager
def dask_cluster(workers: int) -> Iterator[tuple[str, int]]:
    """Give the address and the process of a cluster on this machine."""
    process = subprocess.Popen(
        [*COMMAND, "cluster", "--workers", str(workers), "--port", "0"],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    lines = [process.stdout.readline() for _ in range(2)]
    try:
        yield lines[1].split()[-1], process.pid
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait()


def run_command(verb: str, tables: dict[str, Any], options: list[str]) -> None:
    """Do one run in a directory that is thrown away."""
    with tempfile.TemporaryDirectory() as folder:
        study = Path(folder) / "study.toml"
        study.write_text(tomli_w.dumps(tables), encoding="utf-8")
        out = ["--out", str(Path(folder) / "run"), "--no-pictures"]
        subprocess.run(
            [*COMMAND, verb, str(study), *out, *options], check=True, capture_output=True
        )


def wall_rows(*, quick: bool) -> list[Row]:
    """Time the same search and the same enumeration on processes and on Dask, in turns."""
    step_deg = 30.0 if quick else 15.0
    jobs = {
        "search": ("optimize", searched(10_000 if quick else 150_000)),
        "enumeration": ("enumerate", study_tables(8, "in-line", "", step_deg=step_deg)),
    }
    rows: list[Row] = []
    with contextlib.ExitStack() as stack:
        where = {f"{n} process(es)": ["--workers", str(n)] for n in COUNTS}
        for n in COUNTS:
            address, _ = stack.enter_context(dask_cluster(n))
            where[f"Dask, {n} worker(s)"] = ["--cluster", address]
        for job, (verb, tables) in jobs.items():
            tasks: dict[str, Callable[[], object]] = {
                name: lambda verb=verb, tables=tables, options=options: run_command(
                    verb, tables, options
                )
                for name, options in where.items()
            }
            seconds = side_by_side(tasks, rounds=1 if quick else ROUNDS)
            one = seconds["1 process(es)"]
            rows += [
                (f"{job}, whole command, {name}: s", f"{value:.1f}", f"{one / value:.2f}", "")
                for name, value in seconds.items()
            ]
    return rows


def task_rows(*, quick: bool) -> list[Row]:
    """Time single tasks that do nothing: what the way to a worker and back takes."""
    from optimize.processes import pool
    from optimize.work import Work

    n_tasks = 50 if quick else 500
    rows: list[Row] = []
    for size, name in ((1000, "1 kB"), (1_000_000, "1 MB"), (8_000_000, "8 MB")):
        payload = os.urandom(size)
        count = n_tasks if size < MEGABYTE else n_tasks // 10
        with dask_cluster(2) as (address, _), pool(2) as here, pool(2, address) as there:

            def all_done(hands: Any, payload: bytes = payload, count: int = count) -> None:
                work: Work[int] = Work(hands)
                for number in range(count):
                    work.add(number, bytes, payload)  # which gives back what it is given
                while len(work):
                    work.done(timeout_s=1.0)

            seconds = side_by_side(
                {"here": lambda: all_done(here), "there": lambda: all_done(there)}, rounds=3
            )
        each = {key: value / count * 1e3 for key, value in seconds.items()}
        rows.append(
            (
                f"a task of {name} there and back, two workers, Dask beside processes: ms",
                f"{each['there']:.2f} / {each['here']:.2f}",
                f"{each['there'] / each['here']:.1f}",
                "",
            )
        )
    return rows


# --- memory ---


@dataclass(slots=True)
class Memory:
    """Resident memory of each process of a run, over the designs scored so far."""

    designs: list[float] = field(default_factory=list)
    by_process: dict[str, list[float]] = field(default_factory=dict)

    def add(self, designs: float, megabytes: dict[str, float]) -> None:
        """Take one sample; processes that are not there yet have none."""
        for name in megabytes:
            self.by_process.setdefault(name, [float("nan")] * len(self.designs))
        self.designs.append(designs)
        for name, values in self.by_process.items():
            values.append(megabytes.get(name, float("nan")))


def memory_of_run(evaluations: int, *, with_dask: bool) -> Memory:
    """Sample the memory of a search with two workers, every second."""
    memory = Memory()
    with contextlib.ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        study, out = folder / "study.toml", folder / "run"
        study.write_text(tomli_w.dumps(searched(evaluations)), encoding="utf-8")
        options, others = ["--workers", "2"], None
        if with_dask:
            address, others = stack.enter_context(dask_cluster(2))
            options = ["--cluster", address]
        quiet = subprocess.DEVNULL
        driver = subprocess.Popen(
            [*COMMAND, "optimize", str(study), "--out", str(out), "--no-pictures", *options],
            stdout=quiet,
            stderr=quiet,
        )
        while driver.poll() is None:
            memory.add(_designs(out), _megabytes(driver.pid, others))
            time.sleep(SAMPLE_S)
        assert driver.returncode == 0
    return memory


def _designs(out: Path) -> float:
    try:
        return float(json.loads((out / "status.json").read_text("utf-8"))["evaluations"])
    except (OSError, ValueError, KeyError):
        return 0.0


def _megabytes(driver: int, cluster: int | None) -> dict[str, float]:
    """Return the memory of driver, workers and (of Dask) scheduler, by name."""
    found: dict[str, float] = {}
    with contextlib.suppress(psutil.Error):
        found["driver"] = psutil.Process(driver).memory_info().rss / MEGABYTE
        if cluster is not None:
            found["scheduler"] = psutil.Process(cluster).memory_info().rss / MEGABYTE
        workers = [
            child
            for child in psutil.Process(cluster or driver).children(recursive=True)
            if "spawn_main" in " ".join(child.cmdline())
        ]
        for number, worker in enumerate(sorted(workers, key=lambda p: p.create_time()), 1):
            found[f"worker {number}"] = worker.memory_info().rss / MEGABYTE
    return found


def memory_row(name: str, memory: Memory) -> Row:
    """Return the largest memory in the second and in the last tenth of a run, of all processes."""
    most = memory.designs[-1]

    def largest(low: float, high: float) -> float:
        total = [
            sum(value for series in memory.by_process.values() if (value := series[i]) == value)
            for i, designs in enumerate(memory.designs)
            if low * most <= designs <= high * most
        ]
        return max(total, default=float("nan"))

    early, late = largest(0.1, 0.2), largest(0.9, 1.0)
    return (
        f"memory of all processes, {name}, {most:,.0f} designs, last tenth beside second: MB",
        f"{late:.0f} / {early:.0f}",
        f"{late / early:.2f}",
        "",
    )


def draw_memory(runs: dict[str, Memory], path: Path) -> None:
    """Draw the memory of each process over the designs scored, one panel for each kind of run."""
    import matplotlib as mpl

    mpl.use("Agg")
    import matplotlib.pyplot as plt

    figure, panels = plt.subplots(
        1, len(runs), figsize=(7.4, 3.4), sharey=True, layout="constrained", squeeze=False
    )
    for panel, (name, memory) in zip(panels[0], runs.items(), strict=True):
        millions = [designs / 1e6 for designs in memory.designs]
        for process, values in memory.by_process.items():
            colour, style = LINES[process]
            panel.plot(millions, values, style, color=colour, label=process)
        panel.set_title(name, fontsize=10)
        panel.set_xlabel("designs scored (millions)")
        panel.grid(alpha=0.3)
        panel.legend(fontsize=8)
    panels[0][0].set_ylim(bottom=0)  # of both, once all lines are there
    panels[0][0].set_ylabel("resident memory (MB)")
    figure.suptitle("Memory of each process during a search", fontsize=11)
    path.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(path, dpi=130)


def main() -> None:
    """Print the table and draw the picture."""
    quick = "--quick" in sys.argv[1:]
    print("| what | figures | speed-up or ratio | target |")
    print("| --- | --- | --- | --- |")
    for part in (wall_rows, task_rows):
        for row in part(quick=quick):
            print("| " + " | ".join(row) + " |", flush=True)
    evaluations = 20_000 if quick else 1_000_000
    runs = {
        "two processes": memory_of_run(evaluations, with_dask=False),
        "Dask, two workers": memory_of_run(evaluations, with_dask=True),
    }
    for name, memory in runs.items():
        print("| " + " | ".join(memory_row(name, memory)) + " |", flush=True)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "memory.png" if quick else PICTURE
        draw_memory(runs, path)
        if quick and len(sys.argv) > 2:
            Path(sys.argv[2]).write_bytes(path.read_bytes())


if __name__ == "__main__":  # worker processes import this file too
    main()
