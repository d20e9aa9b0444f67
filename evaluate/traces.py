"""The pressure of one cylinder on the grid of its cycle, and measured ones from CSV files."""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.interpolate import PchipInterpolator  # type: ignore[import-untyped]

from evaluate.batch import FloatArray
from evaluate.errors import InputError, nearest

LARGEST_FILE_BYTES = 20_000_000
#: Columns of a measured trace, and what turns each pressure into Pa.
ANGLE_COLUMN = "crank_angle_deg"
PRESSURE_COLUMNS = {"pressure_bar": 1e5, "pressure_Pa": 1.0, "pressure_MPa": 1e6}
# Limits of a trace: project assumptions, wide enough for any engine that runs or is motored, and
# narrow enough to catch bar called MPa or gauge pressure called absolute.
MOST_GAP_DEG = 6.0
LOWEST_PA = (0.15e5, 15e5)
PEAK_PA = (4e5, 400e5)
MOST_PEAK_DEG = 90.0  # from firing top dead centre to the highest pressure
CLOSING_SHARE = 0.02  # of the range, by which the two ends of a whole cycle may differ


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PressureTrace:
    """Pressure of one cylinder on the grid of its cycle.

    Attributes
    ----------
    psi_rad : array, shape (samples,)
        Crank angle after the cylinder's firing top dead centre, cycle k / samples. [rad]
    pressure_Pa : array, shape (samples,)
        Absolute pressure. [Pa]
    """

    psi_rad: FloatArray
    pressure_Pa: FloatArray


def grid_rad(cycle_deg: float, n_samples: int) -> FloatArray:
    """Return the angles of the samples of a cycle, shape (samples,), from 0. [rad]"""
    if n_samples < 4 or n_samples % 2:
        raise ValueError(f"n_samples: got {n_samples}; allowed: an even number, 4 or more")
    return np.deg2rad(cycle_deg * np.arange(n_samples) / n_samples)


def shared_trace(psi_rad: FloatArray, pressure_Pa: FloatArray) -> PressureTrace:
    """Return a trace that nobody can write, since many share it."""
    psi_rad.flags.writeable = pressure_Pa.flags.writeable = False
    return PressureTrace(psi_rad=psi_rad, pressure_Pa=pressure_Pa)


def read_trace(path: Path | str, *, cycle_deg: float, n_samples: int = 720) -> PressureTrace:
    """Return a measured trace from a CSV file, on the grid of the cycle.

    The first line names the columns: `crank_angle_deg` after firing top dead centre, and one of
    `pressure_bar`, `pressure_Pa`, `pressure_MPa`, absolute; further columns are passed over. Blank
    lines and lines that begin with # do not count. One cycle, angles rising, from any angle on.
    Between the rows a monotone cubic is drawn, which invents no pressure beyond its neighbours'.

    Parameters
    ----------
    path : path
        Comma-separated text, UTF-8.
    cycle_deg : float
        720 or 360. [deg]
    n_samples : int
        Grid of the cycle, even. [-]

    Raises
    ------
    InputError
        If the file cannot be used; the message says where: file, line and column.
    """
    file = Path(path)
    try:
        return _trace_of(*_columns(file), cycle_deg=cycle_deg, n_samples=n_samples)
    except InputError as error:
        raise error.inside(file.name if file.suffix == ".csv" else f"{file.name}: trace") from None


def _columns(file: Path) -> tuple[list[int], FloatArray, FloatArray, str]:
    """Return line numbers, angles [deg], pressures [Pa] and the name of the pressure column."""
    try:
        if file.stat().st_size > LARGEST_FILE_BYTES:
            raise InputError("file", "more than 20 MB", "one cycle as comma-separated text")
        text = file.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise InputError("line 1", "bytes that are not UTF-8", "comma-separated text") from None
    except OSError as error:
        raise InputError("file", error.strerror or "no file", "a file to read") from None
    lines = [
        (number, _cells(number, line))
        for number, line in enumerate(text.splitlines(), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not lines:
        raise InputError("line 1", "nothing", f"a header: {ANGLE_COLUMN}, pressure_bar")
    angle, pressure, name = _header(*lines[0])
    rows = [
        (_number(number, cells, angle, ANGLE_COLUMN), _number(number, cells, pressure, name))
        for number, cells in lines[1:]
    ]
    table = np.array(rows, float).reshape(-1, 2)
    numbers = [number for number, _ in lines[1:]]
    return numbers, table[:, 0], table[:, 1] * PRESSURE_COLUMNS[name], name


def _cells(number: int, line: str) -> list[str]:
    """Return the cells of a line."""
    try:
        return [cell.strip() for cell in next(csv.reader([line]))]
    except csv.Error as error:  # a cell of more than 128 kB
        raise InputError(f"line {number}", str(error), "comma-separated cells") from None


def _header(number: int, cells: list[str]) -> tuple[int, int, str]:
    """Return the places of angle and pressure, and the pressure's name."""
    allowed = f"{ANGLE_COLUMN} and one of {', '.join(PRESSURE_COLUMNS)}"
    found = [name for name in PRESSURE_COLUMNS if name in cells]
    if cells.count(ANGLE_COLUMN) != 1 or len(found) != 1 or cells.count(found[0]) != 1:
        wanted = PRESSURE_COLUMNS if cells.count(ANGLE_COLUMN) == 1 else [ANGLE_COLUMN]
        near = [nearest(cell, wanted) for cell in cells if cell not in wanted]
        hint = next((word for word in near if word), None)
        raise InputError(f"line {number}", repr(",".join(cells)), f"a header with {allowed}", hint)
    return cells.index(ANGLE_COLUMN), cells.index(found[0]), found[0]


def _number(line: int, cells: list[str], place: int, column: str) -> float:
    """Return the finite number in a cell."""
    text = cells[place] if place < len(cells) else ""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError(f"line {line}, {column}", repr(text) if text else "nothing", "a number")
    return value


def _trace_of(
    lines: list[int],
    angles_deg: FloatArray,
    pressures_Pa: FloatArray,
    column: str,
    *,
    cycle_deg: float,
    n_samples: int,
) -> PressureTrace:
    """Return the trace on the grid after all checks."""
    psi_rad = grid_rad(cycle_deg, n_samples)
    _check_steps(lines, angles_deg, cycle_deg)
    _check_pressures(lines, angles_deg, pressures_Pa, column, cycle_deg)
    if cycle_deg - np.ptp(angles_deg) < 1e-6:  # both ends of the cycle are there
        apart_Pa = abs(pressures_Pa[-1] - pressures_Pa[0])
        if apart_Pa > CLOSING_SHARE * np.ptp(pressures_Pa):
            raise InputError(
                f"line {lines[-1]}, {column}",
                f"a pressure {apart_Pa / PRESSURE_COLUMNS[column]:g} from that a cycle before",
                f"ends that meet within {CLOSING_SHARE:.0%} of the range",
            )
        pressures_Pa = np.append(0.5 * (pressures_Pa[0] + pressures_Pa[-1]), pressures_Pa[1:-1])
        angles_deg = angles_deg[:-1]
    # Two rows of the neighbouring cycles are enough: the cubic looks no further.
    around = np.concatenate([[-2, -1], np.arange(len(angles_deg)), [0, 1]])
    turns = np.concatenate([[-1, -1], np.zeros(len(angles_deg)), [1, 1]])
    curve = PchipInterpolator(angles_deg[around] + cycle_deg * turns, pressures_Pa[around])
    first_deg = angles_deg[0]
    return shared_trace(psi_rad, curve(first_deg + (np.rad2deg(psi_rad) - first_deg) % cycle_deg))


def _check_steps(lines: list[int], angles_deg: FloatArray, cycle_deg: float) -> None:
    """Raise unless the angles rise, without a gap, over one cycle."""
    if len(angles_deg) < 2:
        raise InputError(
            "rows",
            str(len(angles_deg)),
            f"one cycle of {cycle_deg:g} deg, a row at least every {MOST_GAP_DEG:g} deg",
        )
    steps_deg = np.diff(angles_deg)
    for wrong, allowed in (
        (steps_deg <= 0, "angles that rise from row to row"),
        (steps_deg > MOST_GAP_DEG, f"steps of {MOST_GAP_DEG:g} deg at most"),
    ):
        if wrong.any():
            row = int(wrong.argmax())
            raise InputError(
                f"line {lines[row + 1]}, {ANGLE_COLUMN}",
                f"{angles_deg[row + 1]:g} after {angles_deg[row]:g}",
                allowed,
            )
    span_deg = float(np.ptp(angles_deg))
    if not cycle_deg - MOST_GAP_DEG - 1e-6 <= span_deg <= cycle_deg + 1e-6:
        raise InputError(
            f"line {lines[-1]}, {ANGLE_COLUMN}",
            f"{angles_deg[-1]:g}, a span of {span_deg:g}",
            f"one cycle: {cycle_deg:g} deg, or up to {MOST_GAP_DEG:g} less where the last row "
            "stands before the first one's next turn",
        )


def _check_pressures(
    lines: list[int],
    angles_deg: FloatArray,
    pressures_Pa: FloatArray,
    column: str,
    cycle_deg: float,
) -> None:
    """Raise unless the pressures can be absolute, in their unit, and timed from firing."""
    unit_Pa = PRESSURE_COLUMNS[column]
    ends = ((int(pressures_Pa.argmin()), LOWEST_PA), (int(pressures_Pa.argmax()), PEAK_PA))
    for what, (row, (low_Pa, high_Pa)) in zip(("lowest", "highest"), ends, strict=True):
        if not low_Pa <= pressures_Pa[row] <= high_Pa:
            raise InputError(
                f"line {lines[row]}, {column}",
                f"{pressures_Pa[row] / unit_Pa:g} as the {what} pressure",
                f"{low_Pa / unit_Pa:g} to {high_Pa / unit_Pa:g} for it: absolute, in the unit "
                "that the column names",
            )
    row = ends[1][0]
    off_deg = (angles_deg[row] + 0.5 * cycle_deg) % cycle_deg - 0.5 * cycle_deg
    if abs(off_deg) > MOST_PEAK_DEG:
        raise InputError(
            f"line {lines[row]}, {ANGLE_COLUMN}",
            f"{angles_deg[row]:g} at the highest pressure",
            f"angles after firing top dead centre, the highest pressure within "
            f"{MOST_PEAK_DEG:g} deg of it",
        )
