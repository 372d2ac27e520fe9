"""Round opaque spots on a straightened lace, and what each looks like.

A spot is round where edges run round a point: with the angle of each edge doubled, an edge
counts the same from light to dark and from dark to light, and the second derivatives of a
blurred field of such edges answer where they close to a ring. That costs two blurs a size.
What is so proposed is judged on rings of samples about its centre.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.reading.grid_fit import Grid
from lacelay.reading.mat import line_zone, sampled, upsample
from lacelay.reading.strip import Strip

Image = NDArray[np.float32]
Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: Resolution spots are looked for at, px per mm.
PX_PER_MM = 4.6
#: A radius of this many pixels is enough to know a bead by.
ENOUGH_PX = 3.6
#: Radii looked for, mm; the first three only tell the specks of a weave from beads.
RADII_MM = tuple(0.5 * 1.13**k for k in range(9)) + (1.5, 1.8, 2.15, 2.55)
#: Radii that spots are proposed at, mm: each answers for its neighbours.
PROPOSED_MM = (0.62, 0.92, 1.5)
#: Answer from which a spot is proposed.
PROPOSED = 0.16
#: Angles sampled on a ring.
ANGLES = 16
#: A piece of a line in a mesh does not look rounder than this radius, mm.
LINE_MM = 1.25


@dataclass(frozen=True)
class Way:
    """How beads differ from the lace they are on: what a spot must have at least.

    Parameters
    ----------
    lowest, cover : float
        Least and mean cover of the core.
    gloss_cover : float
        Cover of what may be gloss: mat seen through a hole is none.
    gloss : float
        Lightness of the lightest spot over the core's.
    rim, whole : float
        How unlike thread the rim and the core are.
    round_ : float
        How round it is.
    """

    lowest: float
    cover: float
    gloss_cover: float
    gloss: float
    rim: float
    whole: float
    round_: float


#: Unlike the thread, as most beads are.
PLAIN = Way(0.5, 0.7, 0.85, 6.5, 3.0, 2.5, 0.37)
#: Nearly of the thread's colour: they are told by being round and opaque.
PALE = Way(0.65, 0.85, 0.85, 4.5, 1.5, 1.5, 0.55)
#: Nearer to the mat than the thread is, so that they seem to cover little: metal beads on
#: black lace on a light mat, say.
LIKE_MAT = Way(0.15, 0.45, 0.2, 6.5, 3.0, 2.5, 0.5)


@dataclass(frozen=True, eq=False)
class View:
    """A stretch of the strip prepared for spots; all pictures are of one shape.

    Parameters
    ----------
    light : ndarray
        Lightness over the thread's, 0 to 100.
    alpha : ndarray
        Cover, 0 to 1.
    strange : ndarray
        Lab distance from thread beyond the thread's own scatter.
    edges : ndarray, shape (h, w, 2)
        Edges with their angle doubled: cosine and sine, as long as the edge is steep.
    inside : ndarray of bool
        Where there is lace.
    zone : ndarray of bool
        Where printed lines of the mat run.
    px_per_mm : float
    first_mm, top_mm : float
        u and v of the middle of the first pixel.
    way : Way
        What makes a spot surely a bead.
    """

    light: Image
    alpha: Image
    strange: Image
    edges: Image
    inside: Mask
    zone: Mask
    px_per_mm: float
    first_mm: float
    top_mm: float
    way: Way = PLAIN

    def to_lace(self, at: Floats) -> Floats:
        """Lace points (u, v) of points (x, y) of the view."""
        u = self.first_mm + at[:, 0] / self.px_per_mm
        return np.column_stack([u, self.top_mm - at[:, 1] / self.px_per_mm])


def prepare(
    strip: Strip,
    columns: slice,
    grid: Grid | None,
    grid_step_mm: float | None,
    px_per_mm: float = PX_PER_MM,
) -> View | None:
    """Prepare a stretch of the strip; None where there is hardly any lace.

    Parameters
    ----------
    columns : slice
        Columns of the strip, with both ends given.
    px_per_mm : float
        Wished resolution.
    grid, grid_step_mm : Grid, float or None
        The mat's printed grid and its step.
    """
    rgb_seen, cover = strip.rgb[:, columns], strip.alpha[:, columns]
    height, width = cover.shape
    shrink = min(1.0, px_per_mm / strip.px_per_mm)
    size = (max(1, round(width * shrink)), max(1, round(height * shrink)))
    # Between pixels is near enough, and much quicker, where hardly any are left out.
    way = cv2.INTER_AREA if shrink < 0.6 else cv2.INTER_LINEAR
    lab = cv2.cvtColor(cv2.resize(rgb_seen, size, interpolation=way), cv2.COLOR_RGB2LAB)
    alpha = np.asarray(cv2.resize(cover, size, interpolation=way), np.float32)
    inside = cv2.resize(
        strip.extent[:, columns].astype(np.uint8), size, interpolation=cv2.INTER_NEAREST
    ).astype(bool)
    solid = lab[::3, ::3][alpha[::3, ::3] > 0.9]
    if len(solid) < 100:
        return None
    thread = np.median(solid, axis=0)
    scatter = np.median(np.abs(solid - thread), axis=0)
    light, green, blue = (
        np.subtract(channel, np.float32(middle), dtype=np.float32)
        for channel, middle in zip(cv2.split(lab), thread, strict=True)
    )
    light *= np.float32(100 / 255)
    slack = np.maximum(1.5 * scatter * [100 / 255, 1, 1], [4.0, 1.5, 1.5]).astype(np.float32)
    far = np.float32(0.7) * np.maximum(np.abs(light) - slack[0], 0)
    hue = cv2.magnitude(
        np.maximum(np.abs(green) - slack[1], 0), np.maximum(np.abs(blue) - slack[2], 0)
    )
    strange = np.asarray(cv2.magnitude(far, np.asarray(hue)), np.float32)
    per_mm = float(strip.px_per_mm * size[0] / width)
    first = columns.start + 0.5 * width / size[0] - 0.5
    top = 0.5 * height / size[1] - 0.5
    first_mm, top_mm = (
        float(strip.u0_mm + first / strip.px_per_mm),
        float(strip.v0_mm - top / strip.px_per_mm),
    )
    zone = np.zeros(inside.shape, bool)
    if grid is not None and grid_step_mm is not None:
        rows, across = sampled(inside.shape)
        u, v = np.meshgrid(first_mm + across / per_mm, top_mm - rows / per_mm)
        on_mat = strip.photo_map.lace_to_mat(np.stack([u.ravel(), v.ravel()], -1))
        on_grid = upsample((on_mat / grid_step_mm).reshape(*u.shape, 2), inside.shape)
        zone = line_zone(grid, on_grid, per_mm / strip.px_per_mm) > 0
        zone = cv2.blur(zone.astype(np.float32), (3, 3)) > 0
    return View(light, alpha, strange, _edges(light), inside, zone, per_mm, first_mm, top_mm)


def _edges(light: Image) -> Image:
    soft = cv2.GaussianBlur(light, (0, 0), 0.6)
    dx = np.asarray(cv2.Sobel(soft, cv2.CV_32F, 1, 0, scale=1 / 8))
    dy = np.asarray(cv2.Sobel(soft, cv2.CV_32F, 0, 1, scale=1 / 8))
    square = dx * dx + dy * dy + np.float32(1e-6)
    # Full weight from a slope of 5 in lightness a pixel on.
    weight = np.float32(1.5) / np.maximum(square, np.float32(5) * np.sqrt(square))
    return np.asarray(cv2.merge([(dx * dx - dy * dy) * weight, 2 * dx * dy * weight]), np.float32)


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


def round_spots(view: View, proposed_mm: tuple[float, ...] = PROPOSED_MM) -> Spots:
    """Places with edges all round, at any of the radii, each once.

    Parameters
    ----------
    proposed_mm : tuple of float
        Radii that answer: others near them do too.
    """
    best = np.full(view.inside.shape, -1, np.float32)
    for radius in proposed_mm:
        np.maximum(best, _ringed(view, radius), out=best)
    # What the mat shines through at its centre is a mesh.
    best[~view.inside | (cv2.blur(view.alpha, (3, 3)) < 0.5)] = -1
    at = peaks(best, PROPOSED, 0.45 * proposed_mm[0] * view.px_per_mm)
    if len(at) == 0:
        return Spots(at, np.empty(0), np.empty(0))
    answer = ring_answers(view, at, RADII_MM)
    # An edge is some pixels thick: the radii beside it say the same.
    soft = answer.copy()
    soft[:, 1:-1] = 0.25 * answer[:, :-2] + 0.5 * answer[:, 1:-1] + 0.25 * answer[:, 2:]
    k = soft.argmax(axis=1)
    return Spots(at, np.array(RADII_MM)[k], soft[np.arange(len(at)), k].astype(np.float64))


def _ringed(view: View, radius_mm: float) -> Image:
    """How far edges close to a ring of about a radius: 1 where every edge around does."""
    spread = radius_mm * view.px_per_mm / np.sqrt(3)
    # Large rings at half the resolution: they are as smooth.
    half = spread > 3.0
    edges = np.asarray(cv2.pyrDown(view.edges), np.float32) if half else view.edges
    spread = spread / 2 if half else spread
    cosine, sine = cv2.split(cv2.GaussianBlur(edges, (0, 0), spread, sigmaY=spread))
    level = np.array([[0, -1, 0], [1, 0, 1], [0, -1, 0]], np.float32)
    slant = np.array([[0.5, 0, -0.5], [0, 0, 0], [-0.5, 0, 0.5]], np.float32)
    times = spread * spread / 2
    found = np.asarray(cv2.filter2D(cosine, -1, level * times), np.float32)
    found += np.asarray(cv2.filter2D(sine, -1, slant * times), np.float32)
    if not half:
        return found
    wide = cv2.resize(found, view.inside.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray(wide, np.float32)


def spots_of_size(view: View, radius_mm: float, least: float) -> Spots:
    """Places with edges all round at one radius, each once, to a pixel.

    Parameters
    ----------
    radius_mm : float
    least : float
        Least answer.
    """
    r_px = radius_mm * view.px_per_mm
    reach = int(r_px + 1.8)
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1].astype(np.float32)
    away = np.hypot(x, y) + 1e-6
    ring = np.exp(-0.5 * ((away - r_px) / 0.6) ** 2) / away**2
    ring /= (ring * away**2).sum()
    cosine, sine = cv2.split(view.edges)
    answer = np.asarray(cv2.filter2D(cosine, -1, ring * (x * x - y * y)), np.float32)
    answer += np.asarray(cv2.filter2D(sine, -1, 2 * ring * x * y), np.float32)
    answer[~view.inside | (cv2.blur(view.alpha, (3, 3)) < 0.5)] = -1
    at = peaks(answer, least, 0.6 * r_px)
    x_px, y_px = at.astype(int).T
    return Spots(at, np.full(len(at), radius_mm), answer[y_px, x_px].astype(np.float64))


def peaks(answer: Image, least: float, apart_px: float) -> Floats:
    """Local maxima (x, y) of a picture above a least value, each the highest around."""
    side = 2 * max(1, round(apart_px)) + 1
    around = cv2.dilate(answer, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)))
    y, x = np.nonzero((answer == around) & (answer > least))
    return np.column_stack([x, y]).astype(np.float64)


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


@dataclass(frozen=True, eq=False)
class Looks:
    """What spots look like, each of shape (n,).

    Parameters
    ----------
    lowest, cover : ndarray
        Least and mean cover of the core, 0 to 1.
    gloss : ndarray
        Lightness of the lightest spot over the middle of the core.
    rim, whole : ndarray
        How unlike thread the rim and the core are.
    """

    lowest: Floats
    cover: Floats
    gloss: Floats
    rim: Floats
    whole: Floats
    way: Way

    def where(self, keep: NDArray[np.generic]) -> Looks:
        """Of those that a mask or an index keeps."""
        return Looks(
            self.lowest[keep],
            self.cover[keep],
            self.gloss[keep],
            self.rim[keep],
            self.whole[keep],
            self.way,
        )

    @property
    def sure(self) -> Mask:
        """Opaque, with a light spot that is no mat, and a rim unlike thread."""
        way = self.way
        opaque = (self.lowest > way.lowest) & (self.cover > way.cover)
        unlike = (self.rim > way.rim) & (self.whole > way.whole)
        return np.asarray(opaque & unlike & (self.gloss > way.gloss), dtype=bool)


def looks(view: View, spots: Spots) -> Looks:
    """Judge spots on rings within them."""
    if len(spots) == 0:
        none = np.empty(0)
        return Looks(none, none, none, none, none, view.way)
    shares = (0.05, 0.25, 0.5, 0.7, 0.85, 1.0)
    offsets = np.concatenate([_ring() * share for share in shares])
    pictures = np.stack([view.light, view.alpha, view.strange], axis=-1)
    seen = take(pictures, spots.at, offsets, spots.radius_mm * view.px_per_mm)
    light, alpha, strange = seen[..., 0], seen[..., 1], seen[..., 2]
    core, inner = slice(0, 5 * ANGLES), slice(0, 4 * ANGLES)
    least = np.partition(alpha[:, core], 8, axis=1)[:, 8]
    # The light spot must be bead: mat seen through a hole is no gloss.
    gloss = np.where(alpha[:, inner] > view.way.gloss_cover, light[:, inner], np.float32(-100))
    gloss = np.partition(gloss, 60, axis=1)[:, 60]
    middle = np.partition(light[:, core], 40, axis=1)[:, 40]
    return Looks(
        least.astype(np.float64),
        alpha[:, core].mean(axis=1, dtype=np.float64),
        (gloss - middle).astype(np.float64),
        strange[:, inner.stop :].mean(axis=1, dtype=np.float64),
        strange[:, core].mean(axis=1, dtype=np.float64),
        view.way,
    )


def on_lines(view: View, spots: Spots) -> Mask:
    """Whether a line of the mat runs under the core of a spot."""
    x, y = spots.at.astype(int).T
    return np.asarray(view.zone[y, x] & (spots.radius_mm < LINE_MM), dtype=bool)
