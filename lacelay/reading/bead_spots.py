"""Round opaque spots on a straightened lace, and what each looks like.

A spot is round where edges run round a point: with the angle of each edge doubled, an edge
counts the same from light to dark and from dark to light, and the second derivatives of a
blurred field of such edges answer where they close to a ring. That costs two blurs a size.
What is so proposed is judged on rings of samples about its centre.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.reading.bead_near import nearest
from lacelay.reading.strip import Strip

Image = NDArray[np.float32]
Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: Resolution spots are looked for at, px per mm.
PX_PER_MM = 4.6
#: Radii looked for, mm.
RADII_MM = tuple(0.5 * 1.13**k for k in range(9)) + (1.5, 1.8, 2.15, 2.55)
#: Radii that spots are proposed at, mm: each answers for its neighbours.
PROPOSED_MM = (0.62, 0.92, 1.5)
#: Answer from which a spot is proposed.
PROPOSED = 0.16
#: Nearer to the mat than this share of the way to the thread, a centre is a hole.
HOLE = 0.35
#: Angles sampled on a ring.
ANGLES = 16
#: Steps in which the middle of a ring is looked for, mm.
MOVE_MM = 0.2
#: Least bend of the answer over the radius at a rim.
BENDS = -0.035
#: Rows worked on at a time.
ROWS = 32
#: Lightness counts this much less than hue: shading is no other colour.
LIGHT = 0.7

_TO_LAB = cv2.COLOR_RGB2LAB
#: Of the library's bytes for Lab.
_STEP = np.array([100 / 255, 1, 1], np.float32)


@dataclass(frozen=True, eq=False)
class View:
    """A stretch of the strip prepared for spots; all pictures but the mat's are of one shape.

    Parameters
    ----------
    lab : ndarray of uint8, shape (h, w, 3)
        Lab as the library's bytes.
    thread : ndarray, shape (3,)
        The typical thread's, in such bytes.
    colour : ndarray, shape (h, w, 3)
        Lab (lightness 0 to 100) over the typical thread's.
    mat : ndarray, shape (about h / 8, about w / 8, 3)
        The same of the bare mat: it is smooth, and a coarse picture of it is enough.
    alpha : ndarray, shape (h, w)
        Cover, 0 to 1.
    edges : ndarray, shape (h, w, 2)
        Edges with their angle doubled: cosine and sine, as long as the edge is steep.
    inside : ndarray of bool, shape (h, w)
        Where there is lace.
    px_per_mm : float
    first_mm, top_mm : float
        u and v of the middle of the first pixel.
    """

    lab: NDArray[np.uint8]
    thread: Image
    colour: Image
    mat: Image
    alpha: Image
    edges: Image
    inside: Mask
    px_per_mm: float
    first_mm: float
    top_mm: float

    @property
    def contrast(self) -> float:
        """Lightness between thread and mat."""
        return float(abs(np.median(self.mat[..., 0])))

    @property
    def dark(self) -> bool:
        """Whether the thread is darker than the mat: what shows through it seems to shine."""
        return float(np.median(self.mat[..., 0])) > 0

    def bare(self, at: Floats) -> Image:
        """Colour of the bare mat at points (x, y), shape (n, 3)."""
        height, width = self.inside.shape
        times = np.array([self.mat.shape[1] / width, self.mat.shape[0] / height])
        return take(self.mat, (at + 0.5) * times - 0.5, np.zeros((1, 2)), 1.0)[:, 0]

    def to_lace(self, at: Floats) -> Floats:
        """Lace points (u, v) of points (x, y) of the view."""
        u = self.first_mm + at[:, 0] / self.px_per_mm
        return np.column_stack([u, self.top_mm - at[:, 1] / self.px_per_mm])


def prepare(strip: Strip, columns: slice, px_per_mm: float = PX_PER_MM) -> View | None:
    """Prepare a stretch of the strip; None where there is hardly any lace.

    Parameters
    ----------
    columns : slice
        Columns of the strip, with both ends given.
    px_per_mm : float
        Wished resolution.
    """
    rgb_seen, cover = strip.rgb[:, columns], strip.alpha[:, columns]
    height, width = cover.shape
    shrink = min(1.0, px_per_mm / strip.px_per_mm)
    size = (max(1, round(width * shrink)), max(1, round(height * shrink)))
    # Between pixels is near enough, and much quicker, where hardly any are left out.
    way = cv2.INTER_AREA if shrink < 0.6 else cv2.INTER_LINEAR
    lab = np.asarray(cv2.cvtColor(cv2.resize(rgb_seen, size, interpolation=way), _TO_LAB), np.uint8)
    alpha = np.asarray(cv2.resize(cover, size, interpolation=way), np.float32)
    inside = cv2.resize(
        strip.extent[:, columns].view(np.uint8), size, interpolation=cv2.INTER_NEAREST
    ).view(bool)
    solid = lab[::3, ::3][alpha[::3, ::3] > 0.9]
    if len(solid) < 100:
        return None
    thread = np.median(solid, axis=0).astype(np.float32)
    table = over(thread)
    coarse = (max(1, size[0] // 8), max(1, size[1] // 8))
    bare = cv2.resize(strip.mat_rgb[:, columns], coarse, interpolation=cv2.INTER_LINEAR)
    mat = np.asarray(cv2.cvtColor(np.clip(bare, 0, 255).astype(np.uint8), _TO_LAB), np.uint8)
    first = columns.start + 0.5 * width / size[0] - 0.5
    top = 0.5 * height / size[1] - 0.5
    return View(
        lab,
        thread,
        np.asarray(cv2.LUT(lab, table[None]), np.float32),
        np.asarray(cv2.LUT(mat, table[None]), np.float32),
        alpha,
        _edges(np.asarray(cv2.LUT(cv2.extractChannel(lab, 0), table[None, :, :1]), np.float32)),
        inside,
        float(strip.px_per_mm * size[0] / width),
        float(strip.u0_mm + first / strip.px_per_mm),
        float(strip.v0_mm - top / strip.px_per_mm),
    )


def over(thread: Image) -> Image:
    """Lab over the thread's of each of the library's bytes, shape (256, 3)."""
    return np.asarray((np.arange(256, dtype=np.float32)[:, None] - thread) * _STEP, np.float32)


def _edges(light: Image) -> Image:
    soft = cv2.GaussianBlur(light, (0, 0), 0.6)
    slope_x = np.asarray(cv2.Sobel(soft, cv2.CV_32F, 1, 0, scale=1 / 8))
    slope_y = np.asarray(cv2.Sobel(soft, cv2.CV_32F, 0, 1, scale=1 / 8))
    edges = np.empty((*light.shape, 2), np.float32)
    # A few rows at a time stay in the processor's cache.
    for first in range(0, len(light), ROWS):
        rows = slice(first, first + ROWS)
        dx, dy = slope_x[rows], slope_y[rows]
        across = dx * dx
        along = dy * dy
        square = across + along
        square += np.float32(1e-6)
        # Full weight from a slope of 5 in lightness a pixel on.
        weight = np.sqrt(square)
        weight *= np.float32(5)
        np.maximum(weight, square, out=weight)
        np.divide(np.float32(1.5), weight, out=weight)
        across -= along
        np.multiply(across, weight, out=edges[rows, :, 0])
        weight *= dx
        weight *= np.float32(2)
        np.multiply(weight, dy, out=edges[rows, :, 1])
    return edges


@dataclass(frozen=True, eq=False)
class Spots:
    """Round spots: centres (x, y) in pixels of the view, radii in mm, how round (0 to 1.5)."""

    at: Floats
    radius_mm: Floats
    round_: Floats

    def __len__(self) -> int:
        return len(self.at)

    def where(self, keep: NDArray[np.generic]) -> Spots:
        """Those that a mask or an index keeps."""
        return Spots(self.at[keep], self.radius_mm[keep], self.round_[keep])


def round_spots(view: View, proposed_mm: tuple[float, ...], apart_mm: float, most: int) -> Spots:
    """The roundest places with edges all round, at any of some radii, each once.

    Parameters
    ----------
    proposed_mm : tuple of float
        Radii that answer: others near them do too.
    apart_mm : float
        Two nearer than this are one.
    most : int
        Only so many are given, the roundest.
    """
    best = np.full(view.inside.shape, -1, np.float32)
    for radius in proposed_mm:
        np.maximum(best, ring_image(view, radius), out=best)
    # What is of the mat's colour at its centre is a mesh.
    mat = cv2.resize(view.mat, best.shape[::-1], interpolation=cv2.INTER_LINEAR)
    off = _square(cv2.subtract(cv2.blur(view.colour, (3, 3)), mat))
    hole = cv2.compare(off, np.float32(HOLE * HOLE) * _square(mat), cv2.CMP_LT)
    cv2.bitwise_or(hole, cv2.bitwise_not(view.inside.view(np.uint8) * 255), dst=hole)
    best[hole > 0] = -1
    at = peaks(best, PROPOSED, apart_mm * view.px_per_mm)
    if len(at) == 0:
        return Spots(at, np.empty(0), np.empty(0))
    x, y = at.astype(int).T
    at = at[np.argsort(-best[y, x], kind="stable")[: 2 * most]]
    answer = ring_answers(view, at, RADII_MM)
    # An edge is some pixels thick: the radii beside it say the same.
    soft = answer.copy()
    soft[:, 1:-1] = 0.25 * answer[:, :-2] + 0.5 * answer[:, 1:-1] + 0.25 * answer[:, 2:]
    k = soft.argmax(axis=1)
    value = soft[np.arange(len(at)), k].astype(np.float64)
    chosen = np.argsort(-value, kind="stable")[:most]
    return Spots(at[chosen], np.array(RADII_MM)[k][chosen], value[chosen])


def _square(picture: Any) -> Any:
    """Square of the length of each pixel's colour."""
    return cv2.transform(cv2.multiply(picture, picture), np.ones((1, 3), np.float32))


def ring_image(view: View, radius_mm: float) -> Image:
    """How far edges close to a ring of about a radius: 1 where every edge around does."""
    return rings_of(view.edges, radius_mm * view.px_per_mm)


def rings_of(edges: Image, radius_px: float) -> Image:
    """The same of edges at any resolution, as `View` holds them."""
    spread = radius_px / np.sqrt(3)
    cosine, sine = cv2.split(cv2.GaussianBlur(edges, (0, 0), spread, sigmaY=spread))
    level = np.array([[0, -1, 0], [1, 0, 1], [0, -1, 0]], np.float32)
    slant = np.array([[0.5, 0, -0.5], [0, 0, 0], [-0.5, 0, 0.5]], np.float32)
    times = spread * spread / 2
    found = np.asarray(cv2.filter2D(cosine, -1, level * times), np.float32)
    return np.asarray(cv2.add(found, cv2.filter2D(sine, -1, slant * times)), np.float32)


def peaks(answer: Image, least: float, apart_px: float) -> Floats:
    """Local maxima (x, y) of a picture above a least value, each the highest around."""
    side = 2 * max(1, round(apart_px)) + 1
    around = cv2.dilate(answer, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)))
    highest = (answer == around) & (answer > least)
    found = cv2.findNonZero(highest.view(np.uint8))
    return np.empty((0, 2)) if found is None else found.reshape(-1, 2).astype(np.float64)


def alone(at: Floats, within_px: float) -> Mask:
    """Which places have none before them in their order within a distance."""
    keep = np.ones(len(at), bool)
    near = nearest(at, at, 8, within_px)[1]
    for k in range(len(at)):
        if keep[k]:
            later = near[k][(near[k] > k) & (near[k] < len(at))]
            keep[later] = False
    return keep


def anywhere(view: View, count: int, random: np.random.Generator) -> Floats:
    """Points (x, y) of the lace at random, about so many."""
    height, width = view.inside.shape
    times = view.inside.size / max(1, cv2.countNonZero(view.inside.view(np.uint8)))
    some = round(count * times)
    x, y = random.integers(0, width, some), random.integers(0, height, some)
    return np.column_stack([x, y])[view.inside[y, x]].astype(np.float64)


def _ring(angles: int = ANGLES) -> Floats:
    turn = np.arange(angles) * (2 * np.pi / angles)
    return np.column_stack([np.cos(turn), np.sin(turn)])


def take(picture: Image, at: Floats, offsets: Floats, scale: Floats | float) -> Image:
    """Values at offsets about places, shape (n, offsets) or (n, offsets, channels).

    Parameters
    ----------
    at : ndarray, shape (n, 2)
    offsets : ndarray, shape (m, 2)
    scale : float or ndarray, shape (n,)
        Offsets are multiplied by it, pixels.
    """
    if not len(at):
        return np.empty((0, len(offsets), *picture.shape[2:]), np.float32)
    scales = np.broadcast_to(np.asarray(scale, np.float32), (len(at),))[:, None]
    x = at[:, :1].astype(np.float32) + scales * offsets[:, 0].astype(np.float32)
    y = at[:, 1:].astype(np.float32) + scales * offsets[:, 1].astype(np.float32)
    parts = [
        cv2.remap(picture, x[k : k + 16_000], y[k : k + 16_000], cv2.INTER_LINEAR,
                  borderMode=cv2.BORDER_REPLICATE)
        for k in range(0, len(at), 16_000)
    ]  # fmt: skip
    return np.asarray(np.concatenate(parts), np.float32)


def ring_answers(view: View, at: Floats, radii_mm: tuple[float, ...]) -> Image:
    """How round each place is at each radius, shape (n, radii)."""
    ring = _ring()
    away = np.concatenate([ring * radius for radius in radii_mm]) * view.px_per_mm
    edges = take(view.edges, at, away, 1.0).reshape(len(at), len(radii_mm), ANGLES, 2)
    twice = 2 * np.arange(ANGLES) * (2 * np.pi / ANGLES)
    answer = edges[..., 0] @ np.cos(twice) + edges[..., 1] @ np.sin(twice)
    return np.asarray(answer / ANGLES, np.float32)


def shifted_answers(view: View, at: Floats, radii_mm: tuple[float, ...], reach_mm: float) -> Image:
    """How round each place is at each radius, moved a little, shape (n, moves, radii).

    Parameters
    ----------
    at : ndarray, shape (n, 2)
    reach_mm : float
        Moves go this far, as `moves_of` lists them.
    """
    moves = moves_of(reach_mm) * view.px_per_mm
    moved = (at[:, None] + moves).reshape(-1, 2)
    return ring_answers(view, moved, radii_mm).reshape(len(at), len(moves), len(radii_mm))


def moves_of(reach_mm: float) -> Floats:
    """Moves (x, y) in mm within a reach, shape (n, 2)."""
    half = max(1, round(reach_mm / MOVE_MM))
    line = np.arange(-half, half + 1) / half
    x, y = np.meshgrid(line, line)
    moves = np.column_stack([x.ravel(), y.ravel()])
    return np.asarray(moves[np.hypot(x, y).ravel() <= 1.01] * reach_mm, np.float64)


def centred(view: View, at: Floats, radius_mm: float, reach_mm: float) -> Spots:
    """Spots moved to the middle of the ring that runs about them at one radius.

    Parameters
    ----------
    at : ndarray, shape (n, 2)
    reach_mm : float
        None is moved further.
    """
    answer = shifted_answers(view, at, (radius_mm,), reach_mm)[..., 0]
    moves = moves_of(reach_mm)
    # Of rings as good the nearer one.
    k = (answer - 0.1 * np.hypot(*moves.T) / reach_mm).argmax(axis=1)
    value = answer[np.arange(len(at)), k].astype(np.float64)
    height, width = view.inside.shape
    middle = np.clip(at + moves[k] * view.px_per_mm, 0, [width - 1, height - 1])
    return Spots(middle, np.full(len(at), radius_mm), value)


def ring_radius_mm(view: View, at: Floats, sizes_mm: tuple[float, ...], reach_mm: float) -> float:
    """The radius of the outermost ring that runs about most places.

    Gloss and shading run in rings as well, within the rim: where the answer bends down
    furthest out, the rim is.

    Parameters
    ----------
    at : ndarray, shape (n, 2)
    sizes_mm : tuple of float
        Evenly spaced.
    reach_mm : float
        The middle lies no further from a place than this.
    """
    best = shifted_answers(view, at, sizes_mm, reach_mm).max(axis=1).mean(axis=0)
    bend = best[:-2] - 2 * best[1:-1] + best[2:]
    padded = np.pad(bend, 1)
    rims = np.flatnonzero((bend <= padded[:-2]) & (bend <= padded[2:]))
    rims = rims[bend[rims] < min(BENDS, 0.5 * float(bend.min()))]
    rims = rims[best[1:-1][rims] > 0.5 * best.max()]
    k = int(rims[-1]) + 1 if len(rims) else int(best.argmax())
    return float(sizes_mm[k])


@dataclass(frozen=True, eq=False)
class Cores:
    """What the inside of spots looks like, each of shape (n,).

    Parameters
    ----------
    lowest : ndarray
        Least cover but for a few samples, 0 to 1.
    gloss, shading : ndarray
        Lightness of the lightest place over the middling and over the darkest one.
    strange : ndarray
        Distance of the mean colour from all mixtures of thread and mat.
    unlike : ndarray
        Mean distance from thread.
    """

    lowest: Floats
    gloss: Floats
    shading: Floats
    strange: Floats
    unlike: Floats

    def where(self, keep: NDArray[np.generic]) -> Cores:
        """Those that a mask or an index keeps."""
        return Cores(
            self.lowest[keep],
            self.gloss[keep],
            self.shading[keep],
            self.strange[keep],
            self.unlike[keep],
        )


def cores(view: View, at: Floats, reach_mm: Floats | float) -> Cores:
    """Look at the inside of spots, as far out as some reach.

    Parameters
    ----------
    at : ndarray, shape (n, 2)
    reach_mm : float or ndarray, shape (n,)
    """
    ring = _ring(12)
    offsets = np.concatenate([[[0.0, 0.0]], 0.5 * ring[::2], ring])
    scale = np.asarray(reach_mm) * view.px_per_mm
    weight = np.array([LIGHT, 2 * LIGHT, 2 * LIGHT], np.float32)
    seen = take(view.colour, at, offsets, scale) * weight
    cover = take(view.alpha, at, offsets, scale)
    bare = view.bare(at) * weight
    # Thread is the origin here: mixtures of thread and mat lie between it and the mat.
    mean = seen.mean(axis=1)
    share = (mean * bare).sum(axis=1) / np.maximum((bare * bare).sum(axis=1), 1.0)
    off = mean - np.clip(share, 0, 1)[:, None] * bare
    light = np.sort(seen[..., 0], axis=1) / np.float32(LIGHT)
    return Cores(
        np.sort(cover, axis=1)[:, 2].astype(np.float64),
        (light[:, -3] - light[:, light.shape[1] // 2]).astype(np.float64),
        (light[:, -3] - light[:, 2]).astype(np.float64),
        np.sqrt((off * off).sum(axis=1)).astype(np.float64),
        np.sqrt((seen * seen).sum(axis=2)).mean(axis=1).astype(np.float64),
    )
