"""The engine without papers in studies/bench: its README tells what the commands print.

The counts are derived by hand: each pair of cylinders that shares its top dead centre takes one of
the four directions 90 degrees apart, so three further pairs can stand in 3! ways and fire in 2^3
ways; each further fact is counted through in the comments.
"""

from __future__ import annotations

import json
import math
import re
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from optimize.cli import main

ROOT = Path(__file__).parents[1]
BENCH = ROOT / "studies" / "bench"
README = (BENCH / "README.md").read_text(encoding="utf-8")
FILE = str(BENCH / "dredger-pump-engine.toml")
DIAL_GAUGE = ["--same-tdc", "1,4", "--same-tdc", "2,3", "--same-tdc", "5,8"]
PROTRACTOR = [*DIAL_GAUGE, "--tdc-apart", "1,2,180"]
DOORS = [*PROTRACTOR, "--crankpins", "1,5,2,6"]
LOBES = [*DOORS, "--lobes", "1,2,6,5"]


def crankfront(*arguments: str) -> Result:
    return CliRunner().invoke(main, arguments)


def orders_left(*facts: str) -> tuple[int, set[str]]:
    document = json.loads(crankfront("firing-orders", FILE, *facts, "--json").stdout)
    orders = {"-".join(o["order"]) for crank in document["cranks"] for o in crank["orders"]}
    assert document["count"] == sum(crank["count"] for crank in document["cranks"])
    return document["count_of_cranks"], orders


@pytest.mark.parametrize(
    ("facts", "n_cranks", "n_orders"),
    [
        (DIAL_GAUGE, 6, 48),  # 6 and 7 take the place that is left: 3! cranks of 2^3 orders
        (PROTRACTOR, 2, 16),  # 2 and 3 opposite 1 and 4: 2! cranks
        (DOORS, 1, 8),  # pin 5 a quarter turn after pin 1, not before it
        # Of the eight, phi of (6, 2, 5) is 90 or 450, 180 or 540, 270 or 630. Lobes met 1-2-6-5
        # going round are met 1-5-6-2 going back; only 450, 180, 630 fires 1-2-6-5 and only
        # 450, 540, 270 fires 1-5-6-2.
        (LOBES, 1, 2),
        ([*LOBES, "--gears", "3"], 1, 1),
        ([*LOBES, "--gears", "4"], 1, 1),
    ],
)
def test_counts_of_the_story(facts: list[str], n_cranks: int, n_orders: int):
    cranks, orders = orders_left(*facts)
    assert (cranks, len(orders)) == (n_cranks, n_orders)


def test_each_sense_of_the_camshaft_leaves_its_order():
    # Lobes stand against the rotation of their shaft in the order of firing. Odd number of gears:
    # the shaft turns as the crank, clockwise, so lobes met clockwise fire in reverse (common
    # practice, no source).
    assert orders_left(*LOBES, "--gears", "3")[1] == {"1-7-3-5-4-6-2-8"}
    assert orders_left(*LOBES, "--gears", "4")[1] == {"1-7-2-8-4-6-3-5"}


def test_the_wrong_fact_is_named_with_what_would_be_possible():
    result = crankfront("firing-orders", FILE, *LOBES, "--gears", "3", "--next", "1,8")
    assert result.exit_code == 2
    assert result.stdout == ""
    assert result.stderr.startswith("crankfront: dredger-pump-engine.toml: facts: got ")
    for text in ("--next", "--crankpins", "contradict each other", "0-180-180-0-90-270-270-90"):
        assert text in result.stderr


def test_commands_of_the_story_run():
    commands = re.findall(r"^crankfront (?!: )(.+)$", README, re.MULTILINE)
    runs = [shlex.split(text) for text in commands if text.startswith("firing-orders")]
    assert len(runs) == 2
    for arguments in runs:
        arguments[1] = str(ROOT / arguments[1])
        assert crankfront(*arguments).exit_code == 0


def test_the_saved_file_is_what_the_facts_leave(tmp_path: Path):
    saved = tmp_path / "found.toml"
    result = crankfront("firing-orders", FILE, *LOBES, "--gears", "3", "--save", str(saved))
    assert result.exit_code == 0
    kept = (BENCH / "dredger-pump-engine-found.toml").read_text(encoding="utf-8")
    without_heading = "".join(line for line in kept.splitlines(True) if not line.startswith("#"))
    assert saved.read_text(encoding="utf-8") == without_heading


def test_what_the_crank_leaves_unbalanced():
    found = str(BENCH / "dredger-pump-engine-found.toml")
    document = json.loads(crankfront("evaluate", found, "--json").stdout)
    # Each half pushes 4 F2, their middles four pitches apart: 4 F2 x 4 p (direct and reverse
    # cranks: Bevan, The Theory of Machines, ch. 14). C2 to the fifth power of lambda is 1e-4 off.
    ratio = 70 / 262
    second = ratio + ratio**3 / 4 + 15 * ratio**5 / 128
    force_N = 2.35 * 0.070 * (1500 * math.pi / 30) ** 2
    residual = document["inertia"]["residual"]
    expected_Nm = 4 * second * force_N * 4 * 0.154
    assert residual["2"]["couple_peak_Nm"] == pytest.approx(expected_Nm, rel=1e-4)
    assert f"{residual['2']['couple_peak_Nm']:,.0f} N·m" in README
    assert residual["2"]["couple_forward_Nm"] == pytest.approx(
        residual["2"]["couple_backward_Nm"], rel=1e-9
    )
    for order in ("1", "2"):
        assert residual[order]["force_peak_N"] < 1e-9 * force_N
    assert residual["1"]["couple_peak_Nm"] < 1e-9 * force_N
