"""The four straight lines on which most of a closed outline lies."""

from __future__ import annotations

from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Least share of a side that must be seen, and of all four together.
LEAST_SIDE_SEEN, LEAST_SEEN = 0.35, 0.6


def area_of(corners: Floats) -> float:
    """Area of a figure from its corners in order, shape (n, 2)."""
    x, y = corners.T
    return abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1))) / 2


def four_lines(outline: Floats) -> Floats | None:
    """Corners of the four lines on which most of a closed outline lies, or None.

    Parameters
    ----------
    outline : ndarray, shape (n, 2)
        Neighbouring points about one pixel apart.
    """
    count = len(outline)
    reach = max(4, count // 60)
    ahead, behind = np.roll(outline, -reach, axis=0), np.roll(outline, reach, axis=0)
    chord = ahead - behind
    angle = np.arctan2(chord[:, 1], chord[:, 0]) % np.pi
    middle = outline.mean(axis=0)
    size = float(np.hypot(*np.ptp(outline, axis=0)))
    normal = np.stack([-np.sin(angle), np.cos(angle)], -1)
    rho = ((outline - middle) * normal).sum(axis=1)
    bins, rows = 90, 64
    column = (angle / np.pi * bins).astype(int) % bins
    row = np.clip(((rho / size + 0.55) / 1.1 * rows).astype(int), 0, rows - 1)
    votes = np.bincount(column * rows + row, minlength=bins * rows).reshape(bins, rows)
    wrapped = np.concatenate([votes[-2:, ::-1], votes, votes[:2, ::-1]]).astype(np.float32)
    smooth = cv2.GaussianBlur(wrapped, (5, 5), 1.0)[2:-2]
    lines: list[tuple[Floats, float]] = []
    for _ in range(7):
        peak = int(smooth.argmax())
        b, r = divmod(peak, rows)
        if smooth[b, r] < 0.004 * count:
            break
        smooth[max(b - 3, 0) : b + 4, max(r - 3, 0) : r + 4] = 0
        fitted = _line_through(
            outline,
            angle,
            (b + 0.5) / bins * np.pi,
            middle,
            (r + 0.5) / rows * 1.1 * size - 0.55 * size,
        )
        if fitted is not None:
            lines.append(fitted)
    best, best_score = None, 0.0
    for corners in _figures(lines):
        shares = _supported(outline, corners)
        if shares.min() < LEAST_SIDE_SEEN or shares.mean() < LEAST_SEEN:
            continue
        score = float(shares.mean() * np.sqrt(area_of(corners)))
        if score > best_score:
            best, best_score = corners, score
    return best


def _line_through(
    outline: Floats, angle: Floats, direction: float, middle: Floats, rho: float
) -> tuple[Floats, float] | None:
    """Unit normal and offset of the line near (direction, rho), fitted to its points."""
    normal = np.array([-np.sin(direction), np.cos(direction)])
    offset = float(middle @ normal) + rho
    near = np.zeros(len(outline), bool)
    for within in (5.0, 2.5, 1.6):
        off = np.abs((angle - direction + np.pi / 2) % np.pi - np.pi / 2)
        near = (np.abs(outline @ normal - offset) < within) & (off < np.deg2rad(9))
        if near.sum() < 8:
            return None
        direction, normal, offset = through(outline[near])
    return normal, offset


def through(points: Floats) -> tuple[float, Floats, float]:
    """Direction, unit normal and offset of the line of least square distance."""
    middle = points.mean(axis=0)
    x, y = (points - middle).T
    direction = 0.5 * float(np.arctan2(2 * (x @ y), x @ x - y @ y)) % np.pi
    normal = np.array([-np.sin(direction), np.cos(direction)])
    return direction, normal, float(middle @ normal)


def _figures(lines: list[tuple[Floats, float]]) -> list[Floats]:
    """All convex figures of four of the lines that make two pairs, clockwise as seen."""
    if len(lines) < 4:
        return []
    normal = np.array([n for n, _ in lines])
    offset = np.array([c for _, c in lines])
    direction = np.arctan2(normal[:, 1], normal[:, 0])
    apart = np.abs((direction[:, None] - direction[None] + np.pi / 2) % np.pi - np.pi / 2)
    # Where each two of them cross.
    cross = normal[:, None, 0] * normal[None, :, 1] - normal[:, None, 1] * normal[None, :, 0]
    safe = np.where(np.abs(cross) < 1e-9, 1e-9, cross)
    x = (offset[:, None] * normal[None, :, 1] - offset[None] * normal[:, None, 1]) / safe
    y = (offset[None] * normal[:, None, 0] - offset[:, None] * normal[None, :, 0]) / safe
    figures = []
    for four in combinations(range(len(lines)), 4):
        first = four[0]
        second, *others = sorted(four[1:], key=lambda k: apart[first, k])
        if apart[first, second] > np.deg2rad(30) or apart[first, others[0]] < np.deg2rad(45):
            continue
        round_it = [(first, others[0]), (first, others[1]), (second, others[1])]
        pairs = [*round_it, (second, others[0])]
        if min(abs(cross[pair]) for pair in pairs) < 0.3:
            continue
        corner = np.array([(x[pair], y[pair]) for pair in pairs])
        ahead = np.roll(corner, -1, axis=0) - corner
        bend = ahead[:, 0] * np.roll(ahead[:, 1], -1) - ahead[:, 1] * np.roll(ahead[:, 0], -1)
        if not (np.all(bend > 0) or np.all(bend < 0)) or np.hypot(*ahead.T).min() <= 10:
            continue
        figures.append(corner if bend[0] > 0 else corner[::-1].copy())
    return figures


def _supported(outline: Floats, corners: Floats) -> Floats:
    """Share of each side that the outline follows, shape (4,)."""
    shares = np.zeros(4)
    for k in range(4):
        start, along = corners[k], corners[(k + 1) % 4] - corners[k]
        length = float(np.hypot(*along))
        t = (outline - start) @ along / length
        across = (outline - start) @ np.array([-along[1], along[0]]) / length
        on = (np.abs(across) < 2.0) & (t >= 0) & (t <= length)
        bins = max(8, int(length / 4))
        hit = np.bincount((t[on] / length * bins).astype(int), minlength=bins)
        shares[k] = np.count_nonzero(hit) / bins
    return shares
