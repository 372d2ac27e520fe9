"""The camera's slant from a row of marks alone: how they close up along it, and fan out.

Seen from a slant, evenly spaced marks lie ever closer together, and marks that are parallel
turn a little from each to the next. Both together give the plane's horizon, so the whole
map but for the lens: n = (c0 + c1 s + d t) / (1 + c2 s + e t) for all points of the marks.

Frames: s along the row and t across it in px, n counts its marks; photo points (x, y) px.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Spread of the window over which the marks' phase is taken, in marks, and every how many
#: marks it is taken: so far apart two of them err each on its own.
SPREAD_MARKS, APART_MARKS = 2.5, 6.0
#: Height of the bands of rows in each of which it is taken, px.
BAND_PX = 5
#: Least share of a band's change that the marks must make, and fewest places.
LEAST_SURE, FEWEST_PLACES = 0.3, 16
#: What is thought of the slant before anything is seen: five degrees, through a lens of 0.8
#: times the photo's longer side, as phones have: common practice.
TILT_SIGMA_RAD, LENS_SHARE = np.deg2rad(5.0), 0.8
#: A phone's lens after it was straightened, in units of the longer side: common practice.
K1_SIGMA = 0.015


@dataclass(frozen=True, eq=False)
class Fan:
    """How a row's marks close up and fan out: c2 and e above, per px, and their covariance."""

    closing: float
    fanning: float
    covariance: Floats


def read_fan(
    calm: NDArray[np.float32], count: Floats, span: tuple[float, float], rows: slice, reach: int
) -> Fan | None:
    """Measure how the marks of a row close up and fan out.

    Parameters
    ----------
    calm : ndarray of float32, shape (h, w)
        The photo along the row, marks light on nothing; row `reach` is t = 0.
    count : ndarray, shape (3,)
        n = (c0 + c1 s) / (1 + c2 s) along the row.
    span : tuple of float
        Where along s marks were seen.
    rows : slice
        Rows that show all marks.
    reach : int

    Returns
    -------
    Fan or None
        None where too little of the marks is seen.
    """
    c0, c1, c2 = count
    s = np.arange(int(span[0]), int(span[1]) + 1, dtype=float)
    number = (c0 + c1 * s) / (1 + c2 * s)
    marks = float(abs(number[-1] - number[0]))
    sigma = SPREAD_MARKS * len(s) / max(marks, 1.0)
    # Longer marks reach farther: there every fifth or second still tells.
    more = int(0.6 * (rows.stop - rows.start))
    first, last = max(rows.start - more, 0), min(rows.stop + more, calm.shape[0])
    edges = np.arange(first, last + 1, BAND_PX)
    if len(edges) < 3:
        return None
    bands = np.stack([calm[a : a + BAND_PX].mean(axis=0) for a in edges[:-1]])
    bands = bands[:, int(s[0]) : int(s[-1]) + 1]
    turned = bands * np.exp(-2j * np.pi * number)

    def smooth(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(
            cv2.GaussianBlur(np.ascontiguousarray(values), (0, 0), sigma, sigmaY=1e-3)
        )

    step = max(int(APART_MARKS * len(s) / max(marks, 1.0)), 1)
    # Half a window in from the ends, where it is not whole.
    at = np.arange(int(sigma), len(s) - int(sigma), step)
    local = (smooth(turned.real) + 1j * smooth(turned.imag))[:, at]
    level = np.sqrt(smooth(bands.astype(float) ** 2))[:, at]
    sure = np.abs(local) / np.maximum(level, 1e-6)
    t = np.broadcast_to((edges[:-1] + (BAND_PX - 1) / 2 - reach)[:, None], sure.shape)
    off = np.angle(local) / (2 * np.pi)
    whole = number[at] + off
    used = (sure > LEAST_SURE) & (np.abs(off) < 0.3) & (level > 0.25 * np.percentile(level, 80))
    along = np.broadcast_to(s[at], sure.shape)[used]
    return _fitted(along, t[used], whole[used], sure[used] ** 2, len(s))


def _fitted(s: Floats, t: Floats, n: Floats, sure: Floats, length: int) -> Fan | None:
    if len(s) < FEWEST_PLACES or np.ptp(t) < 2 * BAND_PX:
        return None
    unit = float(length)
    # From the middle of the row, so that what is asked is not mixed with where it begins.
    middle, centre = float(s.mean()), float(t.mean())
    x, y, number = (s - middle) / unit, (t - centre) / unit, n - n.mean()
    matrix = np.stack([np.ones_like(x), x, y, -number * x, -number * y], -1)
    kept = np.ones(len(x), bool)
    solved, normal, rms = np.zeros(5), np.eye(5), 0.0
    for _ in range(4):
        weight = np.where(kept, sure, 0.0)
        normal = matrix.T @ (weight[:, None] * matrix)
        try:
            solved = np.linalg.solve(normal, matrix.T @ (weight * number))
        except np.linalg.LinAlgError:
            return None
        miss = number - matrix @ solved
        rms = float(np.sqrt((weight * miss**2).sum() / max(weight.sum(), 1e-9)))
        kept = np.abs(miss) < 3 * max(rms, 0.003)
    covariance = np.linalg.inv(normal) * rms**2 * float(sure[kept].mean())
    # About the row's start and its middle line: w = 1 + c2 s + e t there.
    closing, fanning = solved[3] / unit, solved[4] / unit
    here = 1 - closing * middle - fanning * centre
    return Fan(
        float(closing / here), float(fanning / here), covariance[3:5, 3:5] / unit**2 / here**2
    )


@dataclass(frozen=True, eq=False)
class Slant:
    """The camera's slant: w = 1 + g (p - middle of the photo), and the covariance of g.

    A length in the photo counts 1 / w times as much across the slant, 1 / w^2 along it.
    """

    gradient: Floats
    covariance: Floats

    def to_plane(self, size_px: tuple[int, int]) -> Floats:
        """From photo points to the plane seen from straight above, y up; about one px a unit."""
        longest = float(max(size_px))
        g = self.gradient
        steep = float(np.hypot(*g))
        about = np.array([[1, 0, -(size_px[0] - 1) / 2], [0, 1, -(size_px[1] - 1) / 2], [0, 0, 1]])
        level = np.array([[1.0, 0, 0], [0, 1.0, 0], [g[0], g[1], 1.0]])
        stretched = np.eye(3)
        if steep > 0:
            u = g / steep
            tilt = np.arctan(LENS_SHARE * longest * steep)
            stretched[:2, :2] += (1 / np.cos(tilt) - 1) * np.outer(u, u)
        flipped = np.diag([1.0, -1.0, 1.0])
        return np.asarray(flipped @ stretched @ level @ about, dtype=np.float64)

    def spread(self, from_px: Floats, size_px: tuple[int, int]) -> float:
        """Standard uncertainty of the scale over the photo's middle, as a share, by the slant.

        The scale is right at `from_px`; the lens has its own share in it.
        """
        width, height = size_px
        x, y = np.meshgrid(np.linspace(0.14, 0.86, 5) * width, np.linspace(0.14, 0.86, 5) * height)
        places = np.stack([x.ravel(), y.ravel()], -1)
        apart = places - from_px
        slant = 1.5**2 * np.einsum("ni,ij,nj->n", apart, self.covariance, apart)
        centre = np.array([width - 1, height - 1]) / 2
        r2 = ((places - centre) ** 2).sum(axis=1) - float(((from_px - centre) ** 2).sum())
        lens = (2 * K1_SIGMA * r2 / float(max(size_px)) ** 2) ** 2
        return float(np.sqrt(np.mean(slant + lens)))


def slant_of(
    fan: Fan | None, start_px: Floats, along: Floats, middle_px: Floats, size_px: tuple[int, int]
) -> Slant:
    """The slant that a row's fan tells, drawn towards none as far as it is unsure.

    Parameters
    ----------
    fan : Fan or None
        None: nothing was seen of it.
    start_px, along : ndarray, shape (2,)
        Where s = t = 0, and the row's direction.
    middle_px : ndarray, shape (2,)
        Middle of the row.
    size_px : tuple of int
    """
    longest = float(max(size_px))
    prior = (np.tan(TILT_SIGMA_RAD) / (LENS_SHARE * longest)) ** 2 * np.eye(2)
    if fan is None:
        return Slant(np.zeros(2), prior)
    right = np.array([-along[1], along[0]])
    turn = np.stack([along, right], -1)
    at_start = turn @ np.array([fan.closing, fan.fanning])
    centre = np.array([size_px[0] - 1, size_px[1] - 1]) / 2
    here = 1 + float(at_start @ (centre - start_px))
    if here < 0.3:
        return Slant(np.zeros(2), prior)
    seen = at_start / here
    # A lens that bends bends the row's marks too, the more the farther from the middle.
    bent = 3 * K1_SIGMA * np.abs(turn.T @ (middle_px - centre)).max() / longest**2
    noise = turn @ fan.covariance @ turn.T / here**2 + bent**2 * np.eye(2)
    gain = prior @ np.linalg.inv(prior + noise)
    return Slant(gain @ seen, gain @ noise)
