"""Which firing angles a layout file means: its order or angles, or the most even allowed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evaluate import evidence, firing, numbering
from evaluate.batch import Batch, FloatArray, IntArray
from evaluate.errors import InputError
from evaluate.evidence import BoolArray, Fact, Rows
from evaluate.layout_tables import LayoutTables
from evaluate.numbering import index_of
from evaluate.tables import lengths_agree

#: Up to here every firing order of a crank is tried, 2^15 bit sets.
MOST_FOR_ORDERS = 16
ANGLE_TOLERANCE_DEG = 0.01  # of given firing angles against what the crank gives


@dataclass(frozen=True, kw_only=True, slots=True)
class Known:
    """Facts that the firing order must agree with, and the throws that they speak of."""

    facts: list[Fact]
    throw_angles_deg: list[float]

    def possible(self, angles_deg: FloatArray) -> BoolArray:
        """Return which rows of firing angles all facts allow, (rows,)."""
        return evidence.possible(self.facts, self._rows(angles_deg))

    def left(self, angles_deg: FloatArray, names: tuple[str, ...]) -> FloatArray:
        """Return the rows of firing angles that all facts allow; an error if there is none."""
        kept = self.possible(angles_deg)
        if not kept.any():
            raise evidence.clash_error(
                self.facts,
                self._rows(angles_deg),
                lambda i: order_line(names, angles_deg[i]),
                "firing order of this crank",
            )
        return angles_deg[kept]

    def _rows(self, angles_deg: FloatArray) -> Rows:
        pins_deg = np.tile(np.array(self.throw_angles_deg, float), (len(angles_deg), 1))
        return Rows(pins_deg=pins_deg, angles_deg=angles_deg)

    def check(
        self,
        angles_deg: FloatArray,
        names: tuple[str, ...],
        phases_deg: FloatArray,
        cycle_deg: float,
    ) -> None:
        """Refuse stated firing angles that contradict a fact, or the facts together."""
        rows = self._rows(angles_deg[np.newaxis])
        if evidence.possible(self.facts, rows)[0]:
            return
        clash = " and ".join(repr(fact.text) for fact in evidence.clashes(self.facts, rows)[0])
        even_only = len(names) > MOST_FOR_ORDERS
        choices_deg = firing.allowed_firing_angles_deg(phases_deg, cycle_deg, even_only=even_only)
        left = self.left(choices_deg, names)
        orders = list(dict.fromkeys(order_line(names, row) for row in left))
        raise InputError(
            "firing",
            f"the order {order_line(names, angles_deg)}, which contradicts {clash}",
            ", ".join(orders[:4]) or "an order that agrees with the facts",
        )


def order_text(layout_labels: tuple[str, ...], angles_deg: FloatArray) -> tuple[str, ...]:
    """Return the labels in the order of firing; those that fire together in label order."""
    return order_texts(layout_labels, angles_deg[np.newaxis])[0]


def order_line(layout_labels: tuple[str, ...], angles_deg: FloatArray) -> str:
    """Return the firing order as one text, ``+`` between cylinders that fire together."""
    order = order_text(layout_labels, angles_deg)
    waits_deg = np.diff(angles_deg[[layout_labels.index(label) for label in order]])
    signs = ["-" if wait_deg > firing.SNAP_DEG else "+" for wait_deg in waits_deg]
    return "".join(a + b for a, b in zip(order, [*signs, ""], strict=True))


def order_texts(
    layout_labels: tuple[str, ...], angles_deg: FloatArray
) -> tuple[tuple[str, ...], ...]:
    """Return the order of firing of each row of firing angles, shape (rows, cylinders). [deg]"""
    by_label = sorted(
        range(len(layout_labels)), key=lambda i: numbering.natural_key(layout_labels[i])
    )
    names = [layout_labels[i] for i in by_label]
    sequences = firing.firing_sequence(angles_deg[:, by_label]).tolist()
    return tuple(tuple([names[i] for i in sequence]) for sequence in sequences)


def firing_bits(
    file: LayoutTables,
    batch: Batch,
    names: tuple[str, ...],
    known: Known,
    cycle_deg: float,
    assumed: list[str],
) -> IntArray:
    """Return the firing bits that a file means, shape (1, cylinders).

    Parameters
    ----------
    file : LayoutTables
        Gives an order, firing angles, or neither: then the most even that crank and facts allow.
    batch : Batch
        The candidate, bits still 0.
    names : tuple of str
        Cylinder labels.
    known : Known
        Facts that the order must agree with.
    cycle_deg : float
        720 or 360. [deg]
    assumed : list of str
        Takes a sentence where the order was not in the file.

    Raises
    ------
    InputError
        For an order that the crank forbids or a fact contradicts.
    """
    phases_deg = firing.crank_phases_deg(batch)[0]
    table, n = file.firing, len(names)
    if table.order is not None and table.angles_deg is not None:
        raise InputError("firing", "an order and angles_deg", "one of the two")
    if table.order is not None:
        angles_deg = _angles_from_order(table.order, names, known, phases_deg, cycle_deg)
    elif table.angles_deg is not None:
        angles_deg = _checked_angles(table.angles_deg, names, phases_deg, cycle_deg)
    else:
        even_only = n > MOST_FOR_ORDERS  # all would be too many
        choices_deg = firing.allowed_firing_angles_deg(phases_deg, cycle_deg, even_only=even_only)
        if not len(choices_deg):
            raise InputError(
                "firing",
                f"nothing, and this crank of {n} cylinders cannot fire evenly",
                f"an order; all are tried up to {MOST_FOR_ORDERS} cylinders",
            )
        angles_deg = known.left(choices_deg, names)[0]
        if cycle_deg > firing.TURN_DEG and n > 1:
            order = order_line(names, angles_deg)
            limits = "the crank and the facts allow" if known.facts else "the crank allows"
            assumed.append(f"no firing order in the file: the most even that {limits}, {order}")
    if table.order is not None or table.angles_deg is not None:
        known.check(angles_deg, names, phases_deg, cycle_deg)
    turns: FloatArray = np.rint((angles_deg - phases_deg) / firing.TURN_DEG)
    return turns.astype(np.int64)[np.newaxis]


def _angles_from_order(
    order: list[str],
    names: tuple[str, ...],
    known: Known,
    phases_deg: FloatArray,
    cycle_deg: float,
) -> FloatArray:
    indices = [index_of(label, names, f"firing.order[{i}]") for i, label in enumerate(order)]
    missing = [name for i, name in enumerate(names) if i not in indices]
    if missing or len(indices) != len(names):
        twice = next((label for i, label in enumerate(order) if label in order[:i]), None)
        got = f"{twice!r} twice" if twice else f"no {missing[0]!r}"
        raise InputError("firing.order", got, "every cylinder once: " + ", ".join(names))
    # The cycle starts at cylinder 1, or at one listed before it that fires together with it.
    start = indices.index(0)
    for back in range(len(indices)):
        if phases_deg[indices[start - back]] > 0:
            break
        rotated = indices[start - back :] + indices[: start - back]
        found_deg = firing.angles_for_order(phases_deg, rotated, cycle_deg)
        if len(found_deg):  # of several, the most even that the facts allow
            allowed = np.flatnonzero(known.possible(found_deg))
            best: FloatArray = found_deg[allowed[0] if len(allowed) else 0]
            return best
    rotated = indices[start:] + indices[:start]
    raise _forbidden_order(order, rotated, names, phases_deg, cycle_deg)


def _forbidden_order(
    order: list[str],
    rotated: list[int],
    names: tuple[str, ...],
    phases_deg: FloatArray,
    cycle_deg: float,
) -> InputError:
    in_order = phases_deg[rotated]
    falls = [
        f"{names[rotated[i]]} (at {in_order[i]:.4g} deg) to {names[rotated[i + 1]]} "
        f"(at {in_order[i + 1]:.4g} deg)"
        for i in range(len(rotated) - 1)
        if in_order[i + 1] < in_order[i] - firing.SNAP_DEG
    ]
    turns = "one turn" if cycle_deg == firing.TURN_DEG else "two turns"
    got = (
        f"{'-'.join(order)}, which this crank forbids: pistons reach top dead centre only in the "
        f"next turn from {' and from '.join(falls)}, but the cycle has only {turns}"
    )
    if len(names) > MOST_FOR_ORDERS:
        return InputError("firing.order", got, "an order that the crank allows")
    allowed = firing.nearest_orders(phases_deg, rotated, cycle_deg)
    texts = ["-".join(names[i] for i in sequence) for sequence in allowed]
    return InputError("firing.order", got, "nearest that it allows: " + ", ".join(texts))


def _checked_angles(
    given_deg: list[float], names: tuple[str, ...], phases_deg: FloatArray, cycle_deg: float
) -> FloatArray:
    lengths_agree("firing.angles_deg", given_deg, len(names))
    wanted = np.array(given_deg, float)
    wanted = firing.wrap_deg(wanted - wanted[0], cycle_deg)
    turns = np.rint((wanted - phases_deg) / firing.TURN_DEG)
    angles_deg = firing.wrap_deg(phases_deg + firing.TURN_DEG * turns, cycle_deg)
    off_deg = np.abs(phases_deg + firing.TURN_DEG * turns - wanted)
    worst = int(off_deg.argmax())
    if off_deg[worst] > ANGLE_TOLERANCE_DEG:
        choices = [phases_deg[worst] + firing.TURN_DEG * k for k in range(round(cycle_deg / 360))]
        raise InputError(
            f"firing.angles_deg[{worst}]",
            f"{given_deg[worst]:g} for cylinder {names[worst]}",
            "what this crank gives it after cylinder "
            f"{names[0]}: {' or '.join(f'{choice:.6g}' for choice in choices)}",
        )
    return angles_deg
