"""Shell completion: what is offered, and that nobody waits for it.

Reference: the table of metrics and the files of a directory; the protocol is click's own
(documentation of click, "Shell Completion": environment variables in, lines out).
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from evaluate import METRICS
from optimize.completion import complete_expression, complete_metric, metric_keys

#: What takes long to import; a prompt that waits for it is worse than none.
HEAVY = ("numpy", "scipy", "pandas", "pyarrow", "matplotlib", "pymoo", "rich")
CRANKFRONT = "import sys; from optimize.cli import main; main(prog_name='crankfront')"


def completed(words: str, place: int, *, shell: str = "bash") -> list[str]:
    """Return the lines that crankfront prints for a shell at a word of a command line."""
    known = {"_CRANKFRONT_COMPLETE": f"{shell}_complete", "COMP_WORDS": words}
    done = subprocess.run(
        [sys.executable, "-c", CRANKFRONT],
        env={**os.environ, **known, "COMP_CWORD": str(place)},
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    return done.stdout.splitlines()


@pytest.fixture
def run_dir(tmp_path: Path) -> Path:
    folder = tmp_path / "run" / "shortlist"
    folder.mkdir(parents=True)
    for name in ("D10-V4-shared.toml", "D2-in-line-4.toml", "notes.txt"):
        (folder / name).write_text("", encoding="utf-8")
    return folder.parent


def test_metric_keys_read_off_the_text_are_those_of_the_table() -> None:
    assert metric_keys() == list(METRICS)


def test_metrics_complete_after_commas_and_in_expressions() -> None:
    def texts(found: list[object]) -> list[str]:
        return [item.value for item in found]  # type: ignore[attr-defined]

    anything: tuple[None, None] = (None, None)
    assert texts(complete_metric(*anything, "parts,box_l")) == ["parts,box_litres"]  # type: ignore[arg-type]
    assert texts(complete_metric(*anything, "")) == list(METRICS)  # type: ignore[arg-type]
    begun = "parts < 20 and crank_l"
    assert texts(complete_expression(*anything, begun)) == ["parts < 20 and crank_length_mm"]  # type: ignore[arg-type]
    assert texts(complete_expression(*anything, "parts < 2")) == []  # type: ignore[arg-type]


def test_commands_words_and_designs_complete(run_dir: Path) -> None:
    commands = completed("crankfront ", 1)
    assert {"plain,why", "plain,schema", "plain,export"} <= set(commands)
    assert completed("crankfront schema s", 2) == ["plain,study"]
    assert completed(f"crankfront export {run_dir} ", 3) == ["plain,D2", "plain,D10"]
    assert completed(f"crankfront export {run_dir} D1", 3) == ["plain,D10"]
    assert completed("crankfront export nowhere ", 3) == [""]


def test_files_and_directories_are_left_to_the_shell() -> None:
    assert completed("crankfront evaluate stu", 2) == ["file,stu"]
    assert completed("crankfront why res", 2) == ["dir,res"]
    assert completed("crankfront why results stu", 3) == ["file,stu"]


@pytest.mark.parametrize("shell", ["zsh", "fish"])
def test_designs_carry_their_family_where_shells_show_it(run_dir: Path, shell: str) -> None:
    words = f"crankfront export {run_dir} D"
    known = {"COMP_WORDS": words, "COMP_CWORD": "3" if shell == "zsh" else "D"}
    done = subprocess.run(
        [sys.executable, "-c", CRANKFRONT],
        env={**os.environ, **known, "_CRANKFRONT_COMPLETE": f"{shell}_complete"},
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    assert "in line 4" in done.stdout


@pytest.mark.parametrize("words", ["crankfront query results crank", "crankfront export results D"])
def test_nothing_heavy_is_imported_for_it(words: str) -> None:
    code = (
        "import sys\nfrom optimize.cli import main\n"
        "try:\n    main(prog_name='crankfront')\nexcept SystemExit:\n    pass\n"
        f"print([name for name in {HEAVY!r} if name in sys.modules])"
    )
    known = {"_CRANKFRONT_COMPLETE": "bash_complete", "COMP_WORDS": words, "COMP_CWORD": "3"}
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={**os.environ, **known},
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    assert done.stdout.splitlines()[-1] == "[]"


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_the_script_for_each_shell_is_one_that_it_can_read(shell: str, tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", CRANKFRONT],
        env={**os.environ, "_CRANKFRONT_COMPLETE": f"{shell}_source"},
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    assert "_CRANKFRONT_COMPLETE" in done.stdout
    assert "crankfront" in done.stdout
    if found := shutil.which(shell):  # two of the three are not on every machine
        script = tmp_path / "completion"
        script.write_text(done.stdout, encoding="utf-8")
        subprocess.run([found, "-n", str(script)], check=True, timeout=60)
