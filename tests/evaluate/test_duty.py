"""Tables on gas, flywheel and torsion in layout and study files, and what they lead to."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from evaluate import InputError, layout_from_tables, read_layout
from evaluate.bearings import big_end_mass_kg
from evaluate.duty import trace_of
from evaluate.shaft_results import shaft_document
from optimize.cli import main
from optimize.study import study_from_tables

LAYOUTS = Path(__file__).parents[2] / "studies" / "layouts"
FOUR: dict[str, Any] = {
    "cylinder": {
        "bore_mm": 80.0,
        "stroke_mm": 90.0,
        "rod_length_mm": 140.0,
        "reciprocating_mass_kg": 0.45,
        "rotating_mass_kg": 0.5,
    },
    "crank": {"throw_angles_deg": [0, 180, 180, 0], "throw_pitch_mm": 95.0},
    "firing": {"order": ["1", "3", "4", "2"]},
    "operation": {"speed_rpm": 3000.0},
}
STUDY: dict[str, Any] = {
    "study": {"name": "small"},
    "engine": {"displacement_cm3": 1500.0, "speed": {"rpm": 4000.0}},
    "space": {"cylinders": [4], "arrangements": ["in-line"], "pins": ["own-main"]},
}


def layout(**tables: Any):
    return layout_from_tables(FOUR | tables)


def test_mean_torque_is_what_the_mean_effective_pressure_says():
    # T = imep V / (4 pi) for a four-stroke: J. B. Heywood, Internal Combustion Engine Fundamentals,
    # ch. 2, from memory. Samples of the trace leave 1e-6 of it.
    for bar in (6.0, 12.0):
        document = shaft_document(layout(combustion={"mean_effective_pressure_bar": bar}))
        swept_m3 = 4 * math.pi / 4 * 0.080**2 * 0.090
        assert document["torque"]["mean_Nm"] == pytest.approx(
            bar * 1e5 * swept_m3 / (4 * math.pi), rel=1e-5
        )


def test_an_even_four_has_even_orders_only():
    # Major orders of even firing are multiples of half the cylinder count: any text on torsion.
    orders = shaft_document(layout())["torque"]["orders"]
    peak = max(entry["amplitude_Nm"] for entry in orders)
    for entry in orders:
        if entry["order"] % 2:
            assert entry["amplitude_Nm"] < 1e-9 * peak


def test_bearings_and_torsion_are_told_bearing_by_bearing_and_mode_by_mode():
    document = shaft_document(layout())
    mains = document["bearings"]["mains"]
    assert [main["position_mm"] for main in mains] == [-190, -95, 0, 95, 190]
    worst = document["bearings"]["worst"]
    assert worst["load_N"] == pytest.approx(max(main["peak_N"] for main in mains))
    assert worst["main"] == 1 + int(np.argmax([main["peak_N"] for main in mains]))
    # The two middle firings of an in-line four share the centre main (common practice, no source).
    assert set(worst["firing_pair"]) <= {"1", "2", "3", "4"}
    torsion = document["torsion"]
    frequencies = [mode["frequency_Hz"] for mode in torsion["modes"]]
    assert frequencies == sorted(frequencies)
    assert len(torsion["cylinder_stations"]) == 4
    json.dumps(document)  # plain values only


def test_without_a_bore_nothing_of_gas_is_told():
    bare = {k: v for k, v in FOUR["cylinder"].items() if k != "bore_mm"}
    document = shaft_document(layout(cylinder=bare))
    assert document["torque"] is document["bearings"] is document["torsion"] is None


def test_what_is_assumed_is_said_until_the_file_says_it():
    assert len(layout().duty_assumed) == 3
    said = layout(
        combustion={"mean_effective_pressure_bar": 9.0},
        flywheel={"speed_fluctuation": 0.01, "inertia_kgm2": 0.2},
        torsion={"shaft": {"main_diameter_to_bore": 0.72}},
    )
    assert said.duty_assumed == ()
    duty = said.engine.duty
    assert (duty.combustion.imep_Pa, duty.speed_fluctuation) == (9e5, 0.01)
    assert duty.torsion.flywheel_inertia_kgm2 == 0.2
    assert duty.torsion.shaft.main_diameter_to_bore == 0.72


def test_specific_load_is_force_over_projected_area():
    document = shaft_document(layout(bearings={"main_diameter_mm": 55.0, "main_width_mm": 20.0}))
    for bearing in document["bearings"]["mains"]:
        assert bearing["specific_peak_MPa"] == pytest.approx(bearing["peak_N"] / (55.0 * 20.0))
    assert shaft_document(layout())["bearings"]["mains"][0]["specific_peak_MPa"] is None


def test_a_second_order_pair_at_one_height_leaves_the_rolling_moment_alone():
    # The pair's forces add up along the cylinder axis: at equal heights above the crank axis their
    # moments cancel; with heights one rod length apart the inertia part of order 2 is taken
    # (Lanchester's balancer, see balance shafts in the reference notes; from memory).
    def rolling(forward_mm: float, backward_mm: float) -> dict[str, Any]:
        shafts = [
            {"order": 2, "sense": "forward", "height_mm": forward_mm},
            {"order": 2, "sense": "backward", "height_mm": backward_mm},
        ]
        of = layout(balance={"shafts": shafts})
        return shaft_document(of)["torque"]["rolling_moment"]

    level = rolling(-60.0, -60.0)
    assert level["second_order_with_shafts_Nm"] == pytest.approx(level["second_order_Nm"])
    apart = [rolling(h, -h)["second_order_with_shafts_Nm"] for h in (35.0, -35.0)]
    assert abs(apart[0] - apart[1]) > 1.0
    assert shaft_document(layout())["torque"]["rolling_moment"]["ripple_with_shafts_Nm"] is None


def test_a_rod_that_is_more_than_two_masses_changes_torque_but_not_its_mean():
    # J = m a (l - a) is just two masses and changes nothing; any rod's work over a turn is zero.
    two_masses = {"mass_kg": 0.6, "centre_from_big_end_mm": 40.0}
    exact = 0.6 * 0.040 * (0.140 - 0.040)
    plain = shaft_document(layout())["torque"]
    same = shaft_document(layout(rod=two_masses | {"inertia_kgm2": exact}))["torque"]
    more = shaft_document(layout(rod=two_masses | {"inertia_kgm2": 2 * exact}))["torque"]
    assert same["ripple_Nm"] == pytest.approx(plain["ripple_Nm"], rel=1e-12)
    assert more["ripple_Nm"] != pytest.approx(plain["ripple_Nm"], rel=1e-4)
    assert more["mean_Nm"] == pytest.approx(plain["mean_Nm"], rel=1e-9)


def test_the_crankpin_bears_gas_less_inertia():
    # At firing dead centre the rod is straight: load = p A - m_rec r omega^2 (1 + lambda) on the
    # piston's side, less what the big end pulls; the largest of the cycle is no less.
    of = layout()
    pin = shaft_document(of)["bearings"]["crankpin"]
    assert pin["peak_N"] >= pin["mean_N"] > 0
    area_m2 = math.pi / 4 * 0.080**2
    at_centre_N = (trace_of(of.engine).pressure_Pa[0] - 101325.0) * area_m2
    pull_N = 0.045 * (100 * math.pi) ** 2
    at_centre_N -= pull_N * (0.45 * (1 + 45 / 140) + big_end_mass_kg(of.engine))
    assert pin["peak_N"] >= at_centre_N * (1 - 1e-6)


def test_half_the_fluctuation_needs_twice_the_flywheel():
    # I = E / (C omega^2): T. Bevan, The Theory of Machines, ch. 12.
    loose, tight = (
        shaft_document(layout(flywheel={"speed_fluctuation": c}))["torque"] for c in (0.02, 0.01)
    )
    assert tight["flywheel_inertia_kgm2"] == pytest.approx(2 * loose["flywheel_inertia_kgm2"])
    expected = loose["energy_fluctuation_J"] / (0.02 * (100 * math.pi) ** 2)
    assert loose["flywheel_inertia_kgm2"] == pytest.approx(expected, rel=1e-12)


def test_a_measured_trace_is_found_beside_the_file(tmp_path: Path):
    angles = np.arange(-360.0, 360.0, 1.0)
    pressure = 1 + 40 * np.exp(-((angles / 30) ** 2))  # a shape, no measurement
    rows = "\n".join(f"{a:g},{p:.6f}" for a, p in zip(angles, pressure, strict=True))
    (tmp_path / "indicated.csv").write_text(f"crank_angle_deg,pressure_bar\n{rows}\n")
    text = (LAYOUTS / "in-line-four-flat.toml").read_text(encoding="utf-8")
    file = tmp_path / "four.toml"
    file.write_text(f'{text}\n[combustion]\ntrace = "indicated.csv"\n', encoding="utf-8")
    trace = trace_of(read_layout(file).engine)
    assert trace.pressure_Pa.max() == pytest.approx(41e5, rel=1e-4)
    result = CliRunner().invoke(main, ["evaluate", str(file), "--json"])
    assert json.loads(result.stdout)["torque"]["ripple_Nm"] > 0
    file.write_text(f'{text}\n[combustion]\ntrace = "gone.csv"\n', encoding="utf-8")
    result = CliRunner().invoke(main, ["evaluate", str(file)])
    assert (result.exit_code, result.stdout) == (2, "")
    assert "gone.csv" in result.stderr


def test_a_stated_shaft_is_taken_as_it_stands():
    # Two discs: omega^2 = k (1/I1 + 1/I2), any text on vibration.
    single = {
        "cylinder": FOUR["cylinder"],
        "crank": {"throw_angles_deg": [0]},
        "torsion": {
            "inertias_kgm2": [0.02, 0.2],
            "stiffnesses_Nm_per_rad": [5e4],
            "cylinder_stations": [1],
        },
    }
    (mode, *_) = shaft_document(layout_from_tables(single))["torsion"]["modes"]
    omega = math.sqrt(5e4 * (1 / 0.02 + 1 / 0.2))
    assert mode["frequency_Hz"] == pytest.approx(omega / (2 * math.pi), rel=1e-9)


@pytest.mark.parametrize(
    ("tables", "pieces"),
    [
        ({"combustion": {"compresion_ratio": 9}}, ("combustion.compresion_ratio", "Did you mean")),
        ({"combustion": {"ignition": "glow"}}, ("combustion.ignition",)),
        (
            {"combustion": {"mean_effective_pressure_bar": 1e9}},
            ("combustion.mean_effective_pressure_bar", "Pa"),
        ),
        ({"combustion": {"gamma": 0.5}}, ("combustion.gamma", "0.5")),
        (
            {"combustion": {"burn_start_deg": -200.0}},
            ("combustion.burn_start_deg", "allowed"),
        ),
        (
            {
                "torsion": {
                    "inertias_kgm2": [1.0, 1.0],
                    "stiffnesses_Nm_per_rad": [1e5],
                    "cylinder_stations": [1],
                }
            },
            ("torsion.cylinder_stations", "4, one for each"),
        ),
        ({"flywheel": {"speed_fluctuation": 0}}, ("flywheel.speed_fluctuation",)),
        ({"torsion": {"inertias_kgm2": [1.0, 2.0]}}, ("torsion.stiffnesses_Nm_per_rad", "nothing")),
        ({"torsion": {"diameters_mm": [50.0]}}, ("torsion.diameters_mm", "alone")),
        ({"torsion": {"speed_range_to_rated": [1.0, 0.5]}}, ("torsion.speed_range",)),
        ({"torsion": {"damper": {"inertia_kgm2": 0.01}}}, ("torsion.damper",)),
    ],
)
def test_bad_tables_are_one_message(tables: dict[str, Any], pieces: tuple[str, ...]):
    with pytest.raises(InputError) as caught:
        layout(**tables)
    for piece in pieces:
        assert piece in str(caught.value)


def test_a_study_gives_its_tables_to_every_family():
    duty = {"combustion": {"mean_effective_pressure_bar": 8.0}, "flywheel": {"inertia_kgm2": 0.3}}
    study = study_from_tables(STUDY | duty)
    assert study.duty.combustion.imep_Pa == 8e5
    assert study.duty_tables == duty
    stated = {"torsion": {"inertias_kgm2": [1.0, 1.0]}}
    with pytest.raises(InputError, match="families differ"):
        study_from_tables(STUDY | stated)
