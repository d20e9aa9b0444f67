"""Run all benchmarks and print one table: ``make bench``."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np

from evaluate import score
from tests.benchmarks.givens import METRICS, candidates, v_eight
from tests.benchmarks.plain_loop import score_one_by_one
from tests.benchmarks.timing import Row, side_by_side


def scoring(step_deg: float) -> list[Row]:
    """Score eight-cylinder candidates in batches, in a compiled loop and one at a time."""
    from tests.benchmarks.compiled_loop import score_compiled

    engine, many, few = (
        v_eight(),
        candidates(100_000, step_deg=step_deg),
        candidates(500, step_deg=step_deg),
    )
    expected = score_one_by_one(engine, few)
    for got in (score(engine, few, METRICS), score_compiled(engine, few)):
        np.testing.assert_allclose(got, expected, rtol=1e-9, atol=1e-6)  # the same work
    seconds = side_by_side(
        {
            "batch": lambda: score(engine, many, METRICS),
            "compiled": lambda: score_compiled(engine, many),
            "plain": lambda: score_one_by_one(engine, few),
        }
    )
    rate = {
        "batch": len(many) / seconds["batch"],
        "compiled": len(many) / seconds["compiled"],
        "plain": len(few) / seconds["plain"],
    }
    kind = f"{step_deg:g} deg lattice" if step_deg else "continuous angles"
    return [
        (
            f"batch scoring, 8 cylinders, {kind}: candidates/s per core, beside one at a time",
            f"{rate['batch']:,.0f} / {rate['plain']:,.0f}",
            f"{rate['batch'] / rate['plain']:.0f}",
            "at least 100",
        ),
        (
            f"the same beside a compiled loop, {kind}",
            f"{rate['batch']:,.0f} / {rate['compiled']:,.0f}",
            f"{rate['batch'] / rate['compiled']:.2f}",
            "at least 0.5",
        ),
    ]


def generation(population: int) -> Row:
    """Time generations of the search beside stock NSGA2 on a trivially cheap problem."""
    from pymoo.algorithms.moo.nsga2 import NSGA2
    from pymoo.core.problem import Problem

    from optimize.families import all_families
    from optimize.problem import Island
    from optimize.search import advance
    from optimize.study import read_study

    study_file = Path(__file__).with_name("v-eight.toml")
    study = read_study(study_file)
    island = Island(study, all_families(study)[0][0])
    n_genes, n_objectives = island.genome.n_genes, len(study.objectives)
    n_constraints = len(island.constraint_names)

    class Cheap(Problem):
        def __init__(self) -> None:
            super().__init__(
                n_var=n_genes, n_obj=n_objectives, n_ieq_constr=n_constraints, xl=0.0, xu=1.0
            )

        def _evaluate(self, x, out, *_, **__):
            out["F"] = x[:, :n_objectives] + x.sum(axis=1, keepdims=True)
            out["G"] = np.zeros((len(x), n_constraints)) - 1

    stock = NSGA2(pop_size=population)
    stock.setup(Cheap(), termination=("n_gen", 10_000), seed=1)
    for _ in range(3):
        stock.next()
    state = [advance(island, None, seed=(1, 0, 0), population=population, generations=3)]

    def ours() -> None:
        state[0] = advance(island, state[0], seed=(1, 0, 0), population=population, generations=5)

    def theirs() -> None:
        for _ in range(5):
            stock.next()

    seconds = side_by_side({"ours": ours, "stock": theirs})
    return (
        f"one generation, scoring included, population {population}, beside stock NSGA2 on a cheap "
        "problem: ms",
        f"{seconds['ours'] * 200:.1f} / {seconds['stock'] * 200:.1f}",
        f"{seconds['ours'] / seconds['stock']:.2f}",
        "at most 0.7",
    )


def shaft_metrics() -> list[Row]:
    """Time the metrics of torque, bearings and torsion beside the free forces."""
    from evaluate.metrics import SHAFT_METRICS

    engine, many = v_eight(), candidates(20_000, step_deg=15.0)
    groups = {
        "torque ripple": SHAFT_METRICS[:1],
        "flywheel inertia": SHAFT_METRICS[2:3],
        "main-bearing load": SHAFT_METRICS[3:4],
        "torsional amplitude": SHAFT_METRICS[4:5],
        "torsional stress": SHAFT_METRICS[5:6],
    }
    tasks: dict[str, Callable[[], object]] = {
        "free": lambda: score(engine, many, ("force_rms_N", "couple_rms_Nm"))
    }
    for name, keys in groups.items():
        score(engine, many.rows(slice(0, 8)), keys)  # per-engine tables are made once
        tasks[name] = lambda keys=keys: score(engine, many, keys)
    seconds = side_by_side(tasks, rounds=3)
    return [
        (
            f"{name}, 8 cylinders, beside free force and couple: us per candidate",
            f"{seconds[name] / len(many) * 1e6:.2f} / {seconds['free'] / len(many) * 1e6:.2f}",
            f"{seconds[name] / seconds['free']:.1f}",
            "at most 30" if name == "main-bearing load" else "",
        )
        for name in groups
    ]


def orders_of_sixteen() -> list[Row]:
    """List the firing orders of a 16-cylinder crank, beside a loop that only measures evenness."""
    from evaluate import firing, read_layout
    from evaluate.orders import allowed_orders
    from tests.benchmarks.plain_orders import sorted_by_evenness

    file = Path(__file__).parents[2] / "studies" / "layouts" / "w-sixteen-four-banks.toml"
    layout = read_layout(file)
    phases_deg = firing.crank_phases_deg(layout.batch)[0].tolist()
    cycle_deg = layout.engine.cycle_deg
    plain = sorted_by_evenness(phases_deg, cycle_deg)
    ours = allowed_orders(layout, even_only=False)
    np.testing.assert_allclose(
        ours.scores["firing_unevenness_deg"], [unevenness for unevenness, _ in plain], atol=1e-5
    )
    command = Path(sys.executable).with_name("crankfront")
    seconds = side_by_side(
        {
            "all": lambda: allowed_orders(layout, even_only=False),
            "even": lambda: allowed_orders(layout),
            "plain": lambda: sorted_by_evenness(phases_deg, cycle_deg),
            "command": lambda: subprocess.run(
                [str(command), "firing-orders", str(file), "--all"], check=True, capture_output=True
            ),
        },
        rounds=3,
    )
    return [
        (
            "all 32,768 sets of firing angles of 16 cylinders, 8 scores each, sorted, beside a "
            "plain loop that only measures evenness: s",
            f"{seconds['all']:.2f} / {seconds['plain']:.2f}",
            f"{seconds['all'] / seconds['plain']:.2f}",
            "a few seconds",
        ),
        (
            "the 128 even ones among them, beside the same loop: s",
            f"{seconds['even']:.3f} / {seconds['plain']:.2f}",
            f"{seconds['even'] / seconds['plain']:.3f}",
            "a few seconds",
        ),
        (
            "crankfront firing-orders --all of 16 cylinders, whole command: s",
            f"{seconds['command']:.2f}",
            "",
            "a few seconds",
        ),
    ]


def startup() -> Row:
    """Time ``crankfront --help`` beside a bare Python."""
    command = Path(sys.executable).with_name("crankfront")

    def run(arguments: list[str]) -> Callable[[], object]:
        return lambda: subprocess.run(arguments, check=True, capture_output=True)

    seconds = side_by_side(
        {"help": run([str(command), "--help"]), "bare": run([sys.executable, "-c", "pass"])}
    )
    more = seconds["help"] - seconds["bare"]
    return (
        "crankfront --help beside python -c pass: s",
        f"{seconds['help']:.3f} / {seconds['bare']:.3f}",
        f"{more:+.3f} s",
        "at most +0.25 s",
    )


def main() -> None:
    """Print the table."""
    from tests.benchmarks.exact_rows import halves_rows
    from tests.benchmarks.exact_spaces import growth_rows, whole_rows
    from tests.benchmarks.matrix_products import least_couples_by_products

    parts: tuple[Callable[[], list[Row]], ...] = (
        lambda: [*scoring(15.0), *scoring(0.0), generation(400), generation(1000)],
        lambda: [*shaft_metrics(), *orders_of_sixteen(), startup()],
        lambda: halves_rows(least_couples_by_products),
        lambda: halves_rows(least_couples_by_products, step_deg=2.0)[1:],
        whole_rows,
        growth_rows,
    )
    print("| what | figures | ratio | target |")
    print("| --- | --- | --- | --- |")
    for part in parts:
        for row in part():
            print("| " + " | ".join(row) + " |", flush=True)


if __name__ == "__main__":
    main()
