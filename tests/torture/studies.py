"""Two small studies in invented scenarios, long enough that kills land in every phase of a run."""

from __future__ import annotations

_GIVENS = """
[engine]
displacement_cm3 = 900
speed = { rpm = 3600 }
"""
_OBJECTIVES = """
[[objectives]]
metric = "force_rms_N"
resolution = 200
[[objectives]]
metric = "couple_rms_Nm"
resolution = 20
"""
#: The pump of the mill at Alder Sluice: free throw angles, two seeds, so that states are many.
SEARCH = f"""
[study]
name = "alder-sluice-pump"
seed = 7
{_GIVENS}
[space]
cylinders = [2, 4]
arrangements = ["in-line", "v"]
pins = ["shared", "own-web"]
bank_angle_deg = {{ from = 60, to = 90 }}
throw_angle_step_deg = 0
[constraints]
largest_interval_factor = 1.75
{_OBJECTIVES}
[search]
population = 40
evaluations = 6000
seeds = 2
exact = "never"
"""
#: Every engine for the bell of the Heron Spit light: tasks by the dozen, in two passes.
ENUMERATION = f"""
[study]
name = "heron-spit-bell"
seed = 7
{_GIVENS}
[space]
cylinders = [4, 6]
arrangements = ["in-line", "v"]
pins = ["shared", "own-web"]
bank_angle_deg = [60, 90]
throw_angle_step_deg = 30
[constraints]
largest_interval_factor = 1.75
{_OBJECTIVES}
"""
