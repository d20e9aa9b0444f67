"""Workers of a cluster may have several threads, which share what their process remembers."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np

from optimize.exact.couples import groups_of
from optimize.exact.space import Space
from optimize.exact.sweep import Sweep
from tests.optimize.small_studies import named_family, small_study


def test_sweeps_of_one_frame_by_several_threads_give_what_one_gives() -> None:
    study = small_study(
        space={"cylinders": [8], "throw_angle_step_deg": 45.0},
        constraints={"largest_interval_factor": 2.0},
    )
    space = Space(study, named_family(study, "in-line 8"))
    sweep = Sweep(space, space.frames[0])
    groups, couples = groups_of(space, sweep.frame, sweep.classes.kinds), sweep.couples

    def least(number: int) -> Any:
        return couples.least_boxes(groups[number], 0, 0.01, np.inf)

    # Large products take long enough for threads to meet in one.
    numbers = sorted(range(len(groups)), key=lambda number: -len(groups[number].members))[:24]
    alone = [least(number) for number in numbers]
    with ThreadPoolExecutor(8) as threads:
        for _ in range(10):
            together = list(threads.map(least, numbers))
            for one, other in zip(alone, together, strict=True):
                np.testing.assert_array_equal(one, other)
