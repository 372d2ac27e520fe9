"""The map from a photo to the plane, from points known to lie on lines of that plane.

A corner of a board lies on two lines, a point of a sheet's edge on one. One homography, and
lens distortion where the points themselves tell it, is fitted to all of them; how far the
scale may be off is told over the whole photo, not only where the points lie.

Frames: photo (x, y) px, y down; mat (x, y) mm, y up. Distortion is as in `PhotoMap`, with the
longer side of the photo as unit and its middle as centre.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: What a lens may do before anything is known of it: k1 in units of the longer side. A
#: phone straightens its photos itself and leaves 1 or 2 % at the corners: common practice.
K1_SIGMA = 0.03
K2_SIGMA = 0.03
#: A coefficient is used only where the squared misses fall by this many times their own
#: scatter: four sigma.
SURE_GAIN = 16.0
#: Fewest measured places for a lens, and for its second coefficient.
FEWEST_FOR_K1, FEWEST_FOR_K2 = 24, 60
_ROUNDS = 12
_BENDING = 14


@dataclass(frozen=True, eq=False)
class Sights:
    """Photo points known to lie on straight lines of the mat.

    Parameters
    ----------
    point_px : ndarray, shape (n, 2)
    normal : ndarray, shape (n, 2)
        Unit normal of each point's line on the mat.
    offset_mm : ndarray, shape (n,)
        normal . mat point of that line.
    """

    point_px: Floats
    normal: Floats
    offset_mm: Floats

    @staticmethod
    def of_points(point_px: Floats, mat_mm: Floats) -> Sights:
        """Points known in both directions: each counts for two lines."""
        x, y = np.asarray(mat_mm, dtype=float).T
        one, zero = np.ones_like(x), np.zeros_like(x)
        normal = np.concatenate([np.stack([one, zero], -1), np.stack([zero, one], -1)])
        points = np.asarray(point_px, dtype=float)
        return Sights(np.concatenate([points, points]), normal, np.concatenate([x, y]))


@dataclass(frozen=True, eq=False)
class PlaneFit:
    """A photo's map to the mat, as fitted.

    Parameters
    ----------
    photo_to_mat : ndarray, shape (3, 3)
        From photo pixels, distortion removed, to mat mm.
    radial, centre_px, focal_px
        As in `PhotoMap`.
    residual_px : float
        Root mean square miss of the sights kept, across their lines.
    relative_sigma : float
        Standard uncertainty of lengths over the photo, as a share of them, from the
        residuals, and from the lens where the sights do not tell it.
    kept : ndarray of bool, shape (n,)
    """

    photo_to_mat: Floats
    radial: tuple[float, float]
    centre_px: tuple[float, float]
    focal_px: float
    residual_px: float
    relative_sigma: float
    kept: NDArray[np.bool_]

    def to_mat(self, photo_px: Floats) -> Floats:
        """Mat points of photo points, shape (n, 2)."""
        centre = np.asarray(self.centre_px)
        seen = (np.asarray(photo_px, dtype=float).reshape(-1, 2) - centre) / self.focal_px
        ideal = _straightened(seen, *self.radial) * self.focal_px + centre
        return _project(self.photo_to_mat, np.asarray(ideal, dtype=np.float64))

    def to_photo(self, mat_mm: Floats) -> Floats:
        """Photo points of mat points, shape (n, 2)."""
        centre = np.asarray(self.centre_px)
        back = np.asarray(np.linalg.inv(self.photo_to_mat), dtype=np.float64)
        ideal = _project(back, mat_mm)
        seen = _bent((ideal - centre) / self.focal_px, *self.radial)
        return np.asarray(seen * self.focal_px + centre, dtype=np.float64)

    def mm_per_px(self, photo_px: Floats) -> Floats:
        """Local scale at photo points, the mean over directions, shape (n,)."""
        at = np.asarray(photo_px, dtype=float).reshape(-1, 2)
        right = self.to_mat(at + [0.5, 0]) - self.to_mat(at - [0.5, 0])
        down = self.to_mat(at + [0, 0.5]) - self.to_mat(at - [0, 0.5])
        area = right[:, 0] * down[:, 1] - right[:, 1] * down[:, 0]
        return np.asarray(np.sqrt(np.abs(area)), dtype=np.float64)


def fit_plane(
    sights: Sights,
    start: Floats,
    size_px: tuple[int, int],
    *,
    sigma_px: float,
    independent: float = 1.0,
    lens: bool = True,
) -> PlaneFit | None:
    """Fit the map from photo to mat.

    Parameters
    ----------
    sights : Sights
        At least eight that fix a homography.
    start : ndarray, shape (3, 3)
        A first photo-to-mat homography.
    size_px : tuple of int
        Width and height of the photo.
    sigma_px : float
        Least scatter of a sight: what is assumed of them where residuals say less.
    independent : float
        Share of the sights that count as independent; neighbours along an edge err alike.
    lens : bool
        Whether the sights may tell the lens.

    Returns
    -------
    PlaneFit or None
        None where the sights fix no homography.
    """
    focal = float(max(size_px))
    centre = ((size_px[0] - 1) / 2, (size_px[1] - 1) / 2)
    count = len(sights.offset_mm) * independent
    orders = [0]
    if lens and count >= FEWEST_FOR_K1:
        orders.append(1)
    if lens and count >= FEWEST_FOR_K2:
        orders.append(2)
    best: PlaneFit | None = None
    for order in orders:
        plane = _fit(sights, start, centre, focal, size_px, sigma_px, independent, order)
        if plane is None:
            continue
        if best is None or _tells_lens(best, plane, count, order):
            best = plane
    return best


def first_homography(
    photo_px: Floats, mat_mm: Floats, within_mm: float | None = None
) -> Floats | None:
    """A homography to start from, outliers beyond `within_mm` left out; None where none fits."""
    how = 0 if within_mm is None else cv2.RANSAC
    found: object = cv2.findHomography(photo_px, mat_mm, how, within_mm or 3.0)[0]
    return None if found is None else np.asarray(found, dtype=np.float64)


def _tells_lens(before: PlaneFit, after: PlaneFit, count: float, order: int) -> bool:
    """Whether one more coefficient of the lens is told by the sights, and helps."""
    rest = max(count - 8 - order, 1.0)
    gain = rest * ((before.residual_px / after.residual_px) ** 2 - 1)
    kept = after.kept.mean() >= 0.9 * before.kept.mean()
    if gain < SURE_GAIN or not kept:
        return False
    return after.relative_sigma < before.relative_sigma or (
        gain > 10 * SURE_GAIN and after.relative_sigma < 0.03
    )


def _fit(
    sights: Sights,
    start: Floats,
    centre: tuple[float, float],
    focal: float,
    size_px: tuple[int, int],
    sigma_px: float,
    independent: float,
    order: int,
) -> PlaneFit | None:
    """Robust least squares with `order` lens coefficients."""
    seen = (sights.point_px - np.asarray(centre)) / focal
    to_px = np.array([[focal, 0, centre[0]], [0, focal, centre[1]], [0, 0, 1.0]])
    first = start @ to_px
    if not np.all(np.isfinite(first)) or abs(first[2, 2]) < 1e-12:
        return None
    # Millimetres of the sights' size, so that all numbers of the fit are about one.
    unit = max(float(np.ptp(sights.offset_mm)), 1.0)
    first = np.diag([1 / unit, 1 / unit, 1.0]) @ (first / first[2, 2])
    parameters = np.concatenate([first.ravel()[:8], [0.0, 0.0]])
    offset = sights.offset_mm / unit
    prior = np.zeros(10)
    # What is fitted is fitted freely; what is left out keeps its prior, as a doubt.
    prior[8:] = 1 / K1_SIGMA**2, 1 / K2_SIGMA**2
    free = 8 + order
    prior[8:free] = 1e-6
    kept = np.ones(len(offset), bool)
    weight = np.ones(len(offset))
    rms = sigma_px
    normal = np.eye(10)
    for turn in range(_ROUNDS):
        miss, jacobian, per_px = _misses(parameters, seen, sights.normal, offset, focal)
        if not np.all(np.isfinite(miss)) or not np.all(per_px > 0):
            return None
        miss, jacobian = miss / per_px, jacobian / per_px[:, None]
        spread = 1.4826 * float(np.median(np.abs(miss)))
        limit = max(4 * spread, 3 * sigma_px)
        kept = np.abs(miss) < limit
        weight = np.where(kept, (1 - (miss / limit) ** 2) ** 2, 0.0)
        enough = kept.sum() - free
        rms = float(np.sqrt(np.mean(miss[kept] ** 2))) if kept.any() else np.inf
        if kept.sum() < 8 or not np.isfinite(rms):
            return None
        scatter = sigma_px
        if enough > 4:
            scatter = max(sigma_px, rms * float(np.sqrt(kept.sum() / enough)))
        precision = independent / scatter**2
        normal = precision * jacobian.T @ (weight[:, None] * jacobian) + np.diag(prior)
        gradient = precision * jacobian.T @ (weight * miss) + prior * parameters
        try:
            step = np.linalg.solve(normal[:free, :free], -gradient[:free])
        except np.linalg.LinAlgError:
            return None
        parameters[:free] += step
        if turn > 4 and float(np.abs(step[:8]).max()) < 1e-9:
            break
    # The lens stays unknown where it is kept out: its share of the doubt is its prior.
    covariance = np.asarray(np.linalg.pinv(normal), dtype=np.float64)
    matrix = np.diag([unit, unit, 1.0]) @ np.append(parameters[:8], 1.0).reshape(3, 3)
    return PlaneFit(
        photo_to_mat=np.asarray(matrix @ np.linalg.inv(to_px), dtype=np.float64),
        radial=(float(parameters[8]), float(parameters[9])),
        centre_px=centre,
        focal_px=focal,
        residual_px=rms,
        relative_sigma=_spread_over(parameters, covariance, size_px, focal),
        kept=kept,
    )


def _misses(
    parameters: Floats, seen: Floats, normal: Floats, offset: Floats, focal: float
) -> tuple[Floats, Floats, Floats]:
    """Miss of each sight in the fit's unit, its change (n, 10), and the unit per pixel."""

    def place(p: Floats) -> Floats:
        mat = _project(np.append(p[:8], 1.0).reshape(3, 3), _straightened(seen, p[8], p[9]))
        return np.asarray((mat * normal).sum(axis=1), dtype=np.float64)

    here = place(parameters)
    matrix = np.append(parameters[:8], 1.0).reshape(3, 3)
    ideal = _straightened(seen, parameters[8], parameters[9])
    below = ideal @ matrix[2, :2] + 1.0
    parts = np.stack([ideal[:, 0] / below, ideal[:, 1] / below, 1 / below], -1)
    jacobian = np.empty((len(seen), 10))
    jacobian[:, :3] = normal[:, :1] * parts
    jacobian[:, 3:6] = normal[:, 1:] * parts
    jacobian[:, 6:8] = -here[:, None] * parts[:, :2]
    for k in (8, 9):
        moved = parameters.copy()
        moved[k] += 1e-6
        jacobian[:, k] = (place(moved) - here) / 1e-6
    # sqrt of the area one pixel covers, lens left aside.
    per_px = np.sqrt(np.abs(np.linalg.det(matrix) / below**3)) / focal
    return here - offset, jacobian, np.asarray(per_px, dtype=np.float64)


def _spread_over(
    parameters: Floats, covariance: Floats, size_px: tuple[int, int], focal: float
) -> float:
    """Root mean square over the photo's middle of the relative error of the local scale."""
    width, height = size_px
    u, v = np.meshgrid(np.linspace(-0.36, 0.36, 5) * width, np.linspace(-0.36, 0.36, 5) * height)
    places = np.stack([u.ravel(), v.ravel()], -1) / focal

    def scale(p: Floats) -> Floats:
        matrix = np.append(p[:8], 1.0).reshape(3, 3)
        tiny = 1e-4
        ends = [
            _project(matrix, _straightened(places + shift, p[8], p[9]))
            for shift in ([tiny, 0], [-tiny, 0], [0, tiny], [0, -tiny])
        ]
        right, down = ends[0] - ends[1], ends[2] - ends[3]
        area = np.abs(right[:, 0] * down[:, 1] - right[:, 1] * down[:, 0])
        return np.asarray(0.5 * np.log(np.maximum(area, 1e-300)), dtype=np.float64)

    change = np.empty((len(places), 10))
    for k in range(10):
        up, low = parameters.copy(), parameters.copy()
        up[k] += 1e-5
        low[k] -= 1e-5
        change[:, k] = (scale(up) - scale(low)) / 2e-5
    variance = np.einsum("ni,ij,nj->n", change, covariance, change)
    return float(np.sqrt(np.mean(np.maximum(variance, 0))))


def _project(homography: Floats, points: Floats) -> Floats:
    plain = np.asarray(points, dtype=float).reshape(-1, 2)
    moved = plain @ homography[:, :2].T + homography[:, 2]
    return np.asarray(moved[:, :2] / moved[:, 2:], dtype=np.float64)


def _bent(ideal: Floats, k1: float, k2: float) -> Floats:
    r2 = (ideal**2).sum(axis=1, keepdims=True)
    return np.asarray(ideal * (1 + k1 * r2 + k2 * r2**2), dtype=np.float64)


def _straightened(seen: Floats, k1: float, k2: float) -> Floats:
    if k1 == 0 and k2 == 0:
        return seen
    ideal = seen.copy()
    for _ in range(_BENDING):  # fixed point, as in `PhotoMap`
        ideal = ideal + (seen - _bent(ideal, k1, k2))
    return ideal
