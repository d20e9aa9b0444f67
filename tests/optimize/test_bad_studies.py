"""Bad study files: one message that names the place, and nothing else."""

from __future__ import annotations

import pytest

from evaluate import InputError
from optimize.plan import plan_of
from optimize.study import read_study

GOOD = """
[study]
name = "try"
[engine]
displacement_cm3 = 1000
speed = { rpm = 5000 }
[space]
cylinders = [2, 4]
arrangements = ["in-line", "v"]
pins = ["shared", "own-web"]
bank_angle_deg = [60, 90]
throw_angle_step_deg = 30
reciprocating_fraction = [0.5]
balance_shafts = { slots = ["1 backward"], at_most = 1 }
[constraints]
even_firing = false
crank_length_mm = { at_most = 900 }
[[objectives]]
metric = "force_rms_N"
resolution = 50
[[objectives]]
metric = "parts"
[exhaust]
collectors = "per bank"
[search]
population = 40
evaluations = 2000
"""

CASES = {
    "unknown table": ("[engine]", "[motor]", ["motor", "unknown key"]),
    "misspelt key": ("displacement_cm3", "displacment_cm3", ["engine.displacment_cm3", "Did you"]),
    "misspelt metric": ('"force_rms_N"', '"force_rms"', ["objectives[0].metric", "'force_rms_N'?"]),
    "metric twice": ('"parts"', '"force_rms_N"', ["objectives[1].metric", "second time"]),
    "wrong type": ("cm3 = 1000", 'cm3 = "big"', ["engine.displacement_cm3", "'big'", "a number"]),
    "NaN": ("cm3 = 1000", "cm3 = nan", ["engine.displacement_cm3", "nan", "finite"]),
    "infinity": ("resolution = 50", "resolution = inf", ["objectives[0].resolution", "finite"]),
    "negative": ("cm3 = 1000", "cm3 = -5", ["engine.displacement_cm3", "-5"]),
    "both speeds": ("{ rpm = 5000 }", "{ rpm = 1, mean_piston_speed_m_s = 2 }", ["speed", "both"]),
    "no speed": ("{ rpm = 5000 }", "{ }", ["engine.speed", "neither"]),
    "unknown pins": ('"own-web"]', '"own-wep"]', ["space.pins[1]", "'own-web'?"]),
    "unknown arrangement": ('"v"]', '"vee"]', ["space.arrangements[1]", "in-line"]),
    "unknown slot": ('["1 backward"]', '["1 forward"]', ["slots[0]", "1 backward"]),
    "no cylinders": ("[2, 4]", "[]", ["space.cylinders", "length >= 1"]),
    "too many cylinders": ("[2, 4]", "[17]", ["space.cylinders[0]", "17", "16"]),
    "count twice": ("[2, 4]", "[4, 4]", ["space.cylinders[1]", "second time"]),
    "bank angle": ("[60, 90]", "[0, 90]", ["space.bank_angle_deg[0]", "above 0"]),
    "range": ("[60, 90]", "{ from = 90, to = 60 }", ["bank_angle_deg", "from <= to"]),
    "step": ("step_deg = 30", "step_deg = 25", ["throw_angle_step_deg", "25", "divides 360"]),
    "bounds": ("{ at_most = 900 }", "{ at_most = 1, at_least = 2 }", ["crank_length_mm", "above"]),
    "empty bound": ("{ at_most = 900 }", "{ }", ["crank_length_mm", "neither"]),
    "unknown limit": ("crank_length_mm =", "crank_lenght_mm =", ["'crank_length_mm'?"]),
    "collectors": ('"per bank"', '"per bnak"', ["exhaust.collectors", "'per bank'?"]),
    "collectors by count": ('"per bank"', "{ 4 = [['1'], ['2']] }", ["collectors.4", "'3'"]),
    "population": ("population = 40", "population = 2", ["search.population", "2", ">= 8"]),
    "fraction": ("evaluations = 2000", "evaluations = 0.5", ["search.evaluations", "0.5"]),
    "no TOML": ("[study]", "[study", ["TOML"]),
    "baseline": ("[search]", '[baseline]\nlayout = "no.toml"\n[search]', ["baseline.layout"]),
}


@pytest.mark.parametrize("name", CASES)
def test_bad_study_is_one_message(name, tmp_path):
    old, new, pieces = CASES[name]
    assert old in GOOD
    path = tmp_path / "bad.toml"
    path.write_text(GOOD.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(InputError) as error:
        read_study(path)
    message = str(error.value)
    assert "bad.toml" in message
    assert "\n" not in message
    for piece in pieces:
        assert piece in message, message


def test_the_good_one_is_good(tmp_path):
    path = tmp_path / "good.toml"
    path.write_text(GOOD, encoding="utf-8")
    names = [family.name for family in plan_of(read_study(path)).families]
    assert names == ["in-line 2", "V2 shared", "V2 own-web", "in-line 4", "V4 shared", "V4 own-web"]


def test_a_space_without_a_family_says_why(tmp_path):
    path = tmp_path / "empty.toml"
    text = GOOD.replace("[2, 4]", "[3]").replace('"in-line", ', "").replace(', "own-web"', "")
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match="V3 shared: shared pins need an even count"):
        plan_of(read_study(path))


def test_a_missing_file_and_a_directory_are_one_message(tmp_path):
    with pytest.raises(InputError, match="no such file"):
        read_study(tmp_path / "none.toml")
    with pytest.raises(InputError, match="is a directory"):
        read_study(tmp_path)
