"""What says how large the photo is: a printed grid, two points, or the lace's own width.

The reference gives the map from the photo to the mat. Without a grid the photo is taken as
seen from straight above, which is said as a doubt.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.errors import ScaleError
from lacelay.geometry.photo_map import PhotoMap
from lacelay.reading.grid_fit import Grid, fit_grid
from lacelay.reading.grid_search import CoarseGrid, find_grids
from lacelay.units import MM_PER_INCH, format_length

Floats = NDArray[np.float64]

#: Steps that cutting mats are printed with, mm.
USUAL_STEPS_MM = (5.0, 10.0, 20.0, 50.0, MM_PER_INCH / 4, MM_PER_INCH / 2, MM_PER_INCH)
#: Print and flatness of a mat, and lace lying a little nearer the lens than the print:
#: a share of the scale, an assumption, common practice rather than a published figure.
MAT_SIGMA = 0.001
#: Cells of a grid rightly counted are square within this share.
SQUARE = 0.004
#: A camera held by hand over a table is off square by some degrees: 1.5 % across a lace. By a
#: known width four rendered photos without a grid came out 0.1 to 0.3 % off, one of fine picots
#: 2.0 %: that one lies a little outside this with the 1 % a ruler over lace is worth, as one in
#: three may.
UNSQUARE_SIGMA = 0.015
GRID_REMEDY = (
    "Say the grid's step (--grid 1cm or --grid 1in), or give two points a known distance apart."
)


@dataclass(frozen=True)
class ScaleRequest:
    """What she told us of the scale; all None: find a printed grid.

    Parameters
    ----------
    grid_mm : float or None
        The step she says the mat's main lines have: 10 or 25.4 or another.
    two_points : tuple or None
        Two photo points (x, y) in pixels of the upright photo, and the mm between them.
    width_mm : float or None
        The lace's width from tips to tips, picots and all (from tips to a straight edge, or
        from straight edge to straight edge): what a ruler laid over the scallop tips says.
    """

    grid_mm: float | None = None
    two_points: tuple[tuple[float, float], tuple[float, float], float] | None = None
    width_mm: float | None = None

    def __post_init__(self) -> None:
        told = [self.grid_mm, self.width_mm]
        if self.two_points is not None:
            told.append(self.two_points[2])
            if np.hypot(*np.subtract(self.two_points[0], self.two_points[1])) < 10:
                raise ScaleError(
                    "The two scale points are less than 10 pixels apart.",
                    "Choose two points far apart, at best across the whole lace.",
                )
        for length in told:
            if length is not None and not (np.isfinite(length) and 0 < length < 100_000):
                raise ScaleError(
                    f"A scale of {length} mm cannot be used.", "Give a length above zero."
                )


@dataclass(frozen=True, eq=False)
class Reference:
    """The map from photo to mat and how far it can be trusted.

    Parameters
    ----------
    photo_to_mat : ndarray, shape (3, 3)
        From photo pixels, lens distortion removed, to mat mm, y up; where `settled` is
        False the unit is one pixel (or one grid step) and still has to be scaled.
    """

    photo_to_mat: Floats
    size_px: tuple[int, int]
    radial: tuple[float, float] = (0.0, 0.0)
    centre_px: tuple[float, float] = (0.0, 0.0)
    focal_px: float = 1.0
    grid: Grid | None = None
    settled: bool = False
    name: str = ""
    relative_sigma: float = 0.0
    doubts: tuple[str, ...] = ()

    def map_along(self, axis_mat_mm: Floats) -> PhotoMap:
        """The photo map of a lace whose line v = 0 is the given polyline on the mat."""
        return PhotoMap(
            self.size_px, self.photo_to_mat, axis_mat_mm, self.radial, self.centre_px, self.focal_px
        )

    def scaled(self, factor: float, **changes: object) -> Reference:
        """The same map with all mat lengths multiplied."""
        larger = np.diag([factor, factor, 1.0]) @ self.photo_to_mat
        return replace(self, photo_to_mat=larger, **changes)  # type: ignore[arg-type]


def find_reference(photo: NDArray[np.uint8]) -> Reference:
    """Look for a printed grid; without one, the photo's own pixels, y turned up.

    Returns
    -------
    Reference
        Not settled: its unit is one grid step, or one pixel.
    """
    height, width = photo.shape[:2]
    gray = cv2.cvtColor(photo, cv2.COLOR_RGB2GRAY)
    grid = _find_grid(np.asarray(gray, dtype=np.uint8))
    if grid is None:
        plain = np.array([[1.0, 0, 0], [0, -1.0, height - 1.0], [0, 0, 1.0]])
        return Reference(plain, (width, height))
    return Reference(
        grid.photo_to_grid,
        (width, height),
        grid.radial,
        grid.centre_px,
        grid.focal_px,
        grid,
    )


def _find_grid(gray: NDArray[np.uint8]) -> Grid | None:
    longest = max(gray.shape)
    # Thick or soft lines show better smaller, thin ones vanish there: two sizes.
    for side in (1600, 900):
        shrink = min(1.0, side / longest)
        small = cv2.resize(gray, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
        # Pixel centres at integers: x_full = (x_small + 0.5) / shrink - 0.5.
        half = 0.5 / shrink - 0.5
        grow = np.array([[1 / shrink, 0, half], [0, 1 / shrink, half], [0, 0, 1.0]])
        fitted: list[tuple[Grid, CoarseGrid]] = []
        for candidates in find_grids(np.asarray(small, dtype=np.uint8)):
            for coarse in candidates:
                grid = fit_grid(np.asarray(small, dtype=np.uint8), coarse, fully=False)
                if grid is not None:
                    fitted.append((grid, coarse))
            if any(grid.square < SQUARE for grid, _ in fitted):
                break
        if not fitted:
            continue
        # A multiple of the step loses lines, a part of it gains none of their strength.
        most = max(grid.stretches for grid, _ in fitted)
        strong = [pair for pair in fitted if pair[0].stretches > 0.85 * most]
        largest = max(grid.step_px for grid, _ in strong)
        alike = [pair for pair in strong if pair[0].step_px > 0.9 * largest]
        grid, coarse = max(alike, key=lambda pair: pair[0].stretches)
        support = (coarse.support_px + 0.5) / shrink - 0.5
        to_photo = np.asarray(np.linalg.inv(grid.photo_to_grid), dtype=np.float64)
        refined = CoarseGrid(grow @ to_photo, support, coarse.support_family, grid.radial[0])
        whole = fit_grid(gray, refined)
        if whole is not None:
            return whole
    return None


def settle(reference: Reference, request: ScaleRequest, lace_width: float) -> Reference:
    """Fix the unit of the mat to the millimetre.

    Parameters
    ----------
    reference : Reference
        As found.
    request : ScaleRequest
    lace_width : float
        Width of the lace over all in the reference's own unit, for `request.width_mm`.

    Raises
    ------
    ScaleError
        When nothing says how large the photo is, or the grid's step cannot be told.
    """
    told, told_name, told_sigma = _told_factor(reference, request, lace_width)
    if reference.grid is None:
        if request.grid_mm is not None and told is None:
            raise ScaleError(
                "No printed grid was found in the photo, though its step was given.",
                "Show more of the mat round the lace, or give two points or the lace's width.",
            )
        if told is None:
            raise ScaleError(
                "Nothing in the photo says how large it is: no printed grid was found.",
                "Lay the lace on a cutting mat with a grid, or give two points a known distance "
                "apart, or the lace's width.",
            )
        doubts: tuple[str, ...] = (
            f"The scale comes from {told_name} alone: the photo is taken as seen from straight "
            "above, so lengths far from there may be a few per cent out.",
        )
        if request.grid_mm is not None:
            doubts += ("A grid was named, but none was found in the photo.",)
        sigma = float(np.hypot(told_sigma, UNSQUARE_SIGMA))
        return reference.scaled(
            told, settled=True, name=told_name, relative_sigma=sigma, doubts=doubts
        )
    return _settle_grid(reference, reference.grid, request, told, told_name, told_sigma)


def _told_factor(
    reference: Reference, request: ScaleRequest, lace_width: float
) -> tuple[float | None, str, float]:
    if request.two_points is not None:
        first, second, apart_mm = request.two_points
        ends = reference.map_along(np.array([[0.0, 0], [1, 0]])).photo_to_mat_mm(
            np.array([first, second], dtype=float)
        )
        apart = float(np.hypot(*(ends[1] - ends[0])))
        pixels = float(np.hypot(*np.subtract(first, second)))
        return apart_mm / apart, f"two points {format_length(apart_mm)} apart", 2.0 / pixels
    if request.width_mm is not None:
        name = f"the lace's width of {format_length(request.width_mm)}"
        return request.width_mm / lace_width, name, 0.01
    return None, "", 0.0


def _settle_grid(
    reference: Reference,
    grid: Grid,
    request: ScaleRequest,
    told: float | None,
    told_name: str,
    told_sigma: float,
) -> Reference:
    doubts: list[str] = []
    if request.grid_mm is not None:
        step = request.grid_mm
    else:
        read = step_from_print(grid.divided, grid.heavy_every, grid.ticks)
        if told is not None:
            nearest = min(USUAL_STEPS_MM, key=lambda usual: abs(np.log(usual / told)))
            step = nearest if abs(nearest / told - 1) < 0.04 else told
            if step == told:
                doubts.append(
                    f"By {told_name} the mat's grid has a step of {told:.1f} mm, which is no "
                    "usual one: check that length."
                )
            elif read is not None and abs(read / step - 1) > 0.01:
                doubts.append(
                    f"The mat's heavy lines look like {_step_name(read)}, but {told_name} says "
                    f"{_step_name(step)}; that was used."
                )
        elif read is not None:
            step = read
        else:
            raise ScaleError(
                "A printed grid was found, but not whether its step is 1 cm or 1 inch.",
                GRID_REMEDY,
            )
    if told is not None and abs(step / told - 1) > max(0.01, 3 * told_sigma):
        doubts.append(
            f"The mat's grid and {told_name} differ by {abs(step / told - 1):.1%}; "
            "the grid was used."
        )
    sigma = float(np.hypot(grid.relative_sigma, MAT_SIGMA))
    return reference.scaled(
        step,
        settled=True,
        name=f"mat grid of {_step_name(step)}",
        relative_sigma=sigma,
        doubts=tuple(doubts),
    )


def step_from_print(
    divided: int, heavy_every: int | None, ticks: int | None = None
) -> float | None:
    """The step a grid has by how it is divided and counted, or None where that does not tell.

    Tens are counted in centimetres, dozens in inches; inches are divided by four and eight,
    centimetres by five and ten. Halves say nothing: that is asked, not guessed. Ruler ticks
    along the border are sixteenths of an inch or (half) millimetres; eight to a step may be
    eighths of an inch or sixteenths of half an inch, so they say nothing either.

    Examples
    --------
    >>> step_from_print(2, 5), step_from_print(1, 10), step_from_print(8, None)
    (10.0, 10.0, 25.4)
    >>> step_from_print(2, None) is None
    True
    """
    by_ticks = {10: 10.0, 16: MM_PER_INCH, 20: 10.0}.get(ticks or 0)
    by_lines = _step_from_lines(divided, heavy_every)
    if by_ticks is not None and by_lines is not None and by_ticks != by_lines:
        return None
    return by_ticks if by_lines is None else by_lines


def _step_from_lines(divided: int, heavy_every: int | None) -> float | None:
    if heavy_every in (5, 10) or divided in (5, 10):
        return None if heavy_every in (6, 12) else 10.0
    if heavy_every in (6, 12) or divided in (4, 8):
        return MM_PER_INCH
    return None


def _step_name(step_mm: float) -> str:
    for usual, name in (
        (MM_PER_INCH, "1 inch"),
        (MM_PER_INCH / 2, "1/2 inch"),
        (MM_PER_INCH / 4, "1/4 inch"),
        (10.0, "1 cm"),
    ):
        if abs(step_mm / usual - 1) < 1e-6:
            return name
    return f"{step_mm:.1f} mm"
