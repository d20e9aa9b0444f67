"""The pictures and tables of a run, in a few lines of Python.

Run it as a script,

    python studies/report_pictures.py results/compact-four-stroke pictures-again

or cell by cell in an editor or a notebook (cells begin with "# %%"): there the last line of a cell
shows itself. Only public functions are used.
"""

# %% A run directory, and where pictures go
import sys
from pathlib import Path

import optimize
from evaluate import Evaluation, read_layout
from optimize.pictures import drawing
from optimize.pictures.card import design_card
from optimize.pictures.of_run import run_pictures

is_script = len(sys.argv) > 2 and Path(sys.argv[1]).is_dir()  # a notebook has arguments of its own
run_dir = Path(sys.argv[1] if is_script else "results/compact-four-stroke")
out_dir = Path(sys.argv[2] if is_script else "pictures-again")

# %% The front: a pandas frame, one row a design, with units, senses and the study in its attrs
front = optimize.read_front(run_dir / "front.parquet")
units, senses = front.attrs["units"], front.attrs["senses"]
objectives = [objective["metric"] for objective in front.attrs["objectives"]]
headings = {key: f"{key} [{units[key] or '-'}, {senses[key]}]" for key in objectives}
front[["design", "family", *objectives]].rename(columns=headings)

# %% The study
study = optimize.read_study(run_dir / "study.toml")
study  # noqa: B018

# %% The pictures of the front
history = optimize.read_front(run_dir / "history.parquet")
picks = optimize.shortlist_of(front, study)
for name, figure in run_pictures(study, front, history, picks).items():
    drawing.save(figure, out_dir / name)

# %% A card of each design on the shortlist
for pick in picks:
    name = pick.name.replace(" ", "-")
    layout = read_layout(run_dir / "shortlist" / f"{name}.toml")
    figure = design_card(layout, title=pick.name, subtitle="; ".join(pick.reasons))
    drawing.save(figure, out_dir / name)

# %% One layout and all its metrics
layout = read_layout(run_dir / "shortlist" / f"{picks[0].name.replace(' ', '-')}.toml")
Evaluation(layout.engine, layout.batch)

# %% Why not mine?
answer = optimize.why_not(optimize.read_run(run_dir), layout)
print(answer.sentences[0])
