"""Random layouts as tables; angles in steps of 15 degrees: cancellation is exact or none."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

from tests.evaluate.layouts import tables

MOST = 6


@st.composite
def random_tables(
    draw: st.DrawFn, *, offsets: tuple[float, ...] = (0.0, 0.0, 8.0, -8.0)
) -> dict[str, Any]:
    """Return the tables of a layout of one to six cylinders in up to two banks."""
    n = draw(st.integers(1, MOST))
    step = draw(st.sampled_from([15, 30, 60, 90, 120, 180]))
    n_banks = draw(st.integers(1, min(2, n)))
    bank = [1 + k % n_banks for k in range(n)]
    axes = draw(st.sampled_from([[-45, 45], [-30, 30], [-90, 90], [0, 75]]))
    is_half = draw(st.booleans())
    fractions = (1.0, 0.5) if is_half else (draw(st.sampled_from([0.0, 0.7, 1.0])),) * 2
    shafts = draw(
        st.lists(
            st.tuples(
                st.sampled_from([(1, "backward"), (2, "forward"), (2, "backward")]),
                st.sampled_from([0.5, 1.0]),
            ),
            max_size=3,
            unique_by=lambda shaft: shaft[0],
        )
    )
    return tables(
        [step * draw(st.integers(0, 23)) % 360 for _ in range(n)],
        axes_deg=axes if n_banks == 2 else [draw(st.sampled_from([0, 0, 20, -90]))],
        bank=bank,
        fractions=fractions,
        shafts=[(*slot, share) for slot, share in shafts],
        offset_mm=draw(st.sampled_from(offsets)),
        masses_kg=(0.5, draw(st.sampled_from([0.0, 0.8]))),
        collectors=draw(st.sampled_from(["one", "per bank"])),
        strokes=draw(st.sampled_from([2, 4])),
    )
