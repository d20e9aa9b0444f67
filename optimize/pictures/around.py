"""Labels round a circle, none on another."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from evaluate.batch import FloatArray
from optimize.pictures.drawing import point, point_arrays


def upright_first(pictures_deg: Sequence[float]) -> list[int]:
    """Return directions in the order in which labels should take their places.

    Labels are wide, so above and below a circle they crowd first; beside it there is room.
    """
    up = np.abs(np.cos(np.deg2rad(np.asarray(pictures_deg, float))))
    return [int(i) for i in np.argsort(-np.round(up, 6), kind="stable")]


class Around:
    """What is still free round a circle: labels take their places one after another.

    Parameters
    ----------
    radius_in : float
        Of the circle. [in]
    half_width_in : float
        How far labels may reach to either side of the middle. [in]
    """

    def __init__(self, *, radius_in: float, half_width_in: float) -> None:
        self._radius_in, self._half_width_in = radius_in, half_width_in
        self._boxes = np.empty((0, 4))
        self._leaders = np.empty((0, 2, 2))
        self._points = np.empty((0, 2))  # of lines that no label may cover

    def keep_axis_clear(self, picture_deg: float) -> None:
        """Keep labels off a short line outwards from the circle."""
        reach = np.linspace(self._radius_in, self._radius_in + 0.45, 12)
        line = np.column_stack(point_arrays(np.full(12, picture_deg), 1.0)) * reach[:, np.newaxis]
        self._points = np.concatenate([self._points, line])

    def place(
        self, picture_deg: float, size: FloatArray, *, least_in: float, turn_cost: float
    ) -> FloatArray:
        """Return the free middle for a label that is nearest to its direction.

        Parameters
        ----------
        picture_deg : float
            Clockwise from straight up. [deg]
        size : array, shape (2,)
            Width and height. [in]
        least_in : float
            Least distance of the label from the middle of the circle. [in]
        turn_cost : float
            How much worse it is to go round the circle than outwards. [-]
        """
        turns_deg = np.array(sorted(range(-90, 91, 3), key=lambda turn: (abs(turn), turn)))
        reaches = np.arange(self._radius_in + 0.05, self._radius_in + 4.0, 0.04)
        turn, reach = (grid.ravel() for grid in np.meshgrid(turns_deg, reaches))
        middle = np.column_stack(point_arrays(picture_deg + turn, 1.0)) * reach[:, np.newaxis]
        low, high = middle - 0.5 * size, middle + 0.5 * size
        nearest = np.clip(0.0, low, high)
        away_in = np.hypot(*nearest.T)
        cost = away_in - self._radius_in + turn_cost * np.abs(np.deg2rad(turn)) * self._radius_in
        pin = np.array(point(picture_deg, self._radius_in))
        is_out = (high[:, 0] > self._half_width_in) | (low[:, 0] < -self._half_width_in)
        cost += 1e4 * (is_out | (away_in < least_in)) + self._taken(low, high)
        cost += 10 * self._leader_hits(pin, middle) + 3 * self._crossings(pin, middle)
        best = int(cost.argmin())
        box = np.concatenate([low[best], high[best]])
        self._boxes = np.concatenate([self._boxes, box[np.newaxis]])
        leader = pin + np.linspace(0, 1, 9)[:, np.newaxis] * (middle[best] - pin)
        self._points = np.concatenate([self._points, leader])
        ends = np.array([[pin, middle[best]]])
        self._leaders = np.concatenate([self._leaders, ends])
        chosen: FloatArray = middle[best]
        return chosen

    def _taken(self, low: FloatArray, high: FloatArray) -> FloatArray:
        """Return the cost of covering labels, and, where there is no other way, lines."""
        near = 0.03
        boxes = self._boxes
        on_box = np.all(
            (low[:, np.newaxis] < boxes[:, 2:] + near)
            & (high[:, np.newaxis] > boxes[:, :2] - near),
            axis=2,
        ).any(axis=1)
        on_line = np.all(
            (low[:, np.newaxis] < self._points + near)
            & (high[:, np.newaxis] > self._points - near),
            axis=2,
        ).any(axis=1)
        cost: FloatArray = 1e4 * on_box + 1e2 * on_line
        return cost

    def _leader_hits(self, start: FloatArray, ends: FloatArray) -> FloatArray:
        """Return how many labels lie across the line to each place."""
        way = start + np.linspace(0, 1, 9)[:, np.newaxis, np.newaxis] * (ends - start)
        inside = np.all(
            (way[:, :, np.newaxis] > self._boxes[:, :2])
            & (way[:, :, np.newaxis] < self._boxes[:, 2:]),
            axis=3,
        )
        hits: FloatArray = inside.any(axis=0).sum(axis=1).astype(float)
        return hits

    def _crossings(self, start: FloatArray, ends: FloatArray) -> FloatArray:
        """Return how many lines of other labels cross the line to each place."""
        a, b = self._leaders[:, 0], self._leaders[:, 1]
        far = ends[:, np.newaxis]
        sides = [
            _side(start, far, a) * _side(start, far, b),
            _side(a, b, start) * _side(a, b, far),
        ]
        crossed: FloatArray = ((sides[0] < 0) & (sides[1] < 0)).sum(axis=1).astype(float)
        return crossed


def _side(start: FloatArray, end: FloatArray, point_in: FloatArray) -> FloatArray:
    """Return on which side of a line a point lies: positive, negative, or 0 on it."""
    along, towards = end - start, point_in - start
    side: FloatArray = along[..., 0] * towards[..., 1] - along[..., 1] * towards[..., 0]
    return side
