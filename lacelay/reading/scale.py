"""What says how large the photo is: a printed grid, a sheet, card, ruler or board, or she.

`find_reference` looks for all of them and takes the map from photo to mat from the best that
shows the camera's slant; without one the photo is taken as seen from straight above, which is
said as a doubt. `settle` fixes the unit to the mm, by the surest alone: what contradicts it is
reported, never averaged in.
"""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from lacelay.errors import ScaleError
from lacelay.geometry.photo_map import PhotoMap
from lacelay.reading.found import KINDS, UNSQUARE_SIGMA, Found
from lacelay.reading.grid_fit import Grid
from lacelay.reading.grid_of_photo import find_grid
from lacelay.reading.halves import Halves
from lacelay.reading.references import (
    contradiction,
    find_references,
    four_points,
    moved,
    outlines_px,
)
from lacelay.units import MM_PER_INCH, format_length

Floats = NDArray[np.float64]

#: Steps that cutting mats are printed with, mm.
USUAL_STEPS_MM = (5.0, 10.0, 20.0, 50.0, MM_PER_INCH / 4, MM_PER_INCH / 2, MM_PER_INCH)
#: Print and flatness of a mat, and lace lying a little nearer the lens than the print:
#: a share of the scale, an assumption, common practice rather than a published figure.
MAT_SIGMA = 0.001
#: A length measured by hand is right to about this, mm: common practice, from memory.
MEASURED_MM = 0.3
#: A ruler laid over the lace's tips is worth 1 %. By a known width four rendered photos without
#: a grid came out 0.1 to 0.3 % off, one of fine picots 2.0 %: that one lies a little outside this
#: with what the slant adds, as one in three may.
WIDTH_SIGMA = 0.01
#: References that differ by less are of one size: A4 is 1.41 times as long as A5.
SAME_SIZE = 0.1
#: A scale that may be this far off 95 times in 100 is said to be in doubt.
DOUBTFUL, SURE_95 = 0.01, 1.96
GRID_REMEDY = (
    "Say the grid's step (--grid 1cm or --grid 1in), or give two points a known distance apart."
)


Point = tuple[float, float]
FourPoints = tuple[Point, Point, Point, Point]


@dataclass(frozen=True)
class ScaleRequest:
    """What she told us of the scale; all None: find it in the photo.

    Parameters
    ----------
    grid_mm : float or None
        The step she says the mat's main lines have: 10 or 25.4 or another.
    two_points : tuple or None
        Two photo points (x, y) in pixels of the upright photo, and the mm between them.
    width_mm : float or None
        The lace's width from tips to tips, picots and all (from tips to a straight edge, or
        from straight edge to straight edge): what a ruler laid over the scallop tips says.
    four_points : tuple or None
        Four photo points in order round a rectangle that lies flat.
    sides_mm : tuple or None
        Its sides: from the first of the four points to the second, from that to the third.
    ignore : frozenset of str
        Kinds of reference (`found.KINDS`, or "grid") that are not looked for.
    moved : mapping
        Points of references found that she moved: kind of reference to point name to photo
        point, as in `Found.points_px`.
    """

    grid_mm: float | None = None
    two_points: tuple[Point, Point, float] | None = None
    width_mm: float | None = None
    four_points: FourPoints | None = None
    sides_mm: tuple[float, float] | None = None
    ignore: frozenset[str] = frozenset()
    moved: Mapping[str, Mapping[str, Point]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        told = [self.grid_mm, self.width_mm, *(self.sides_mm or ())]
        if self.two_points is not None:
            told.append(self.two_points[2])
            if np.hypot(*np.subtract(self.two_points[0], self.two_points[1])) < 10:
                raise ScaleError(
                    "The two scale points are less than 10 pixels apart.",
                    "Choose two points far apart, at best across the whole lace.",
                )
        if (self.four_points is None) != (self.sides_mm is None):
            raise ScaleError(
                "Four points say how large the photo is only together with their sides.",
                "Give four points and both sides of the rectangle they make.",
            )
        for length in told:
            if length is not None and not (np.isfinite(length) and 0 < length < 100_000):
                raise ScaleError(
                    f"A scale of {length} mm cannot be used.", "Give a length above zero."
                )
        strange = (set(self.ignore) | set(self.moved)) - {*KINDS, "grid"}
        if strange:
            raise ScaleError(
                f"There is no {' or '.join(sorted(strange))} to find in a photo.",
                f"There are: grid, {', '.join(KINDS)}.",
            )


@dataclass(frozen=True, eq=False)
class Reference:
    """The map from photo to mat and how far it can be trusted.

    Parameters
    ----------
    photo_to_mat : ndarray, shape (3, 3)
        From photo pixels, lens distortion removed, to mat mm, y up; where `settled` is
        False the unit is one pixel (or one grid step, or 1 mm by `used`) and still has to be
        scaled.
    found : tuple of Found
        All references seen beside the grid, the surest first.
    used : Found or None
        The one whose map this is; None where that is the grid's, or the photo is taken as
        seen from straight above.
    by_width : bool
        Whether the scale comes from the lace's own width alone.
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
    found: tuple[Found, ...] = ()
    used: Found | None = None
    by_width: bool = False

    def map_along(self, axis_mat_mm: Floats) -> PhotoMap:
        """The photo map of a lace whose line v = 0 is the given polyline on the mat."""
        return PhotoMap(
            self.size_px, self.photo_to_mat, axis_mat_mm, self.radial, self.centre_px, self.focal_px
        )

    def scaled(self, factor: float, **changes: object) -> Reference:
        """The same map with all mat lengths multiplied."""
        larger = np.diag([factor, factor, 1.0]) @ self.photo_to_mat
        return replace(self, photo_to_mat=larger, **changes)  # type: ignore[arg-type]

    def less_sure(self, sigma: float, because: str) -> Reference:
        """The same, settled, with a further relative sigma and why; 0: as sure as it was."""
        if sigma == 0:
            return self
        whole = float(np.hypot(self.relative_sigma, sigma))
        others = [doubt for doubt in self.doubts if doubt != _good_to(self.relative_sigma)]
        said = [_good_to(whole)] if SURE_95 * whole > DOUBTFUL else []
        return replace(self, relative_sigma=whole, doubts=(*others, because, *said))

    def to_mat(self, photo_px: Floats) -> Floats:
        """Mat points of photo points, shape (n, 2), in the reference's own unit."""
        return self.map_along(np.array([[0.0, 0], [1, 0]])).photo_to_mat_mm(photo_px)

    @property
    def slant_seen(self) -> bool:
        """Whether the map has the camera's slant."""
        return self.grid is not None or (self.used is not None and self.used.slant_seen)

    @property
    def outlines_px(self) -> tuple[Floats, ...]:
        """Outlines of sheets, cards, rulers and boards on which nothing lies, in the photo.

        No lace is to be looked for there.
        """
        return outlines_px(self.found)


def find_reference(photo: NDArray[np.uint8], request: ScaleRequest | None = None) -> Reference:
    """Look for all that says how large the photo is.

    Parameters
    ----------
    photo : ndarray of uint8, shape (h, w, 3)
        sRGB, upright.
    request : ScaleRequest, optional
        Its four points, what to ignore and what was moved are heeded here, the rest by
        `settle`.

    Returns
    -------
    Reference
        Not settled: its unit is one grid step; without a grid 1 mm by the reference used; and
        without any, one pixel, y turned up.
    """
    request = request or ScaleRequest()
    height, width = photo.shape[:2]
    size = width, height
    halves = Halves.of(photo)
    with ThreadPoolExecutor(1) as aside:
        # Neither needs the other.
        others = aside.submit(find_references, photo, request.ignore & set(KINDS), halves)
        grid = None if "grid" in request.ignore else find_grid(halves)
        found = list(others.result())
    if request.four_points is not None and request.sides_mm is not None:
        found.append(four_points(request.four_points, request.sides_mm, size))
    found = [
        moved(one, request.moved[one.kind], size, photo) if one.kind in request.moved else one
        for one in found
    ]
    found.sort(key=lambda one: one.relative_sigma)
    if grid is not None:
        return Reference(
            grid.photo_to_grid,
            size,
            grid.radial,
            grid.centre_px,
            grid.focal_px,
            grid,
            found=tuple(found),
        )
    if found:
        best = found[0]
        return Reference(
            best.photo_to_mat,
            size,
            best.radial,
            best.centre_px,
            best.focal_px,
            found=tuple(found),
            used=best,
        )
    plain = np.array([[1.0, 0, 0], [0, -1.0, height - 1.0], [0, 0, 1.0]])
    return Reference(plain, size)


@dataclass(frozen=True)
class _Claim:
    """What one reference says: mm to one unit of the map, and how sure it is of that.

    `name` has its article; `local` is its sigma where it lies, for comparing it; `doubts` are
    said where it is the one used; `all_over`: its sigma is for all of the photo, slant or not.
    """

    name: str
    mm: float
    sigma: float
    local: float
    doubts: tuple[str, ...] = ()
    by_width: bool = False
    all_over: bool = False


def settle(reference: Reference, request: ScaleRequest, lace_width: float) -> Reference:
    """Fix the unit of the mat to the millimetre, by the surest of all that tells it.

    Parameters
    ----------
    reference : Reference
        As found.
    request : ScaleRequest
    lace_width : float
        Width of the lace over all in the reference's own unit, for `request.width_mm`.

    Returns
    -------
    Reference
        Its doubts name every pair of references that contradict each other, and say where
        the scale is worth less than 1 %.

    Raises
    ------
    ScaleError
        When nothing says how large the photo is, or the grid's step cannot be told.
    """
    told = _told(reference, request, lace_width)
    seen = _seen(reference)
    doubts: list[str] = []
    claims = [*told, *seen]
    if reference.grid is not None:
        grid, doubts = _grid_claim(reference.grid, request, claims)
        claims.insert(0, grid)
    elif request.grid_mm is not None:
        if not claims:
            raise ScaleError(
                "No printed grid was found in the photo, though its step was given.",
                "Show more of the mat round the lace, or give two points or the lace's width.",
            )
        doubts.append("A grid was named, but none was found in the photo.")
    if not claims:
        raise ScaleError(
            "Nothing in the photo says how large it is: no printed grid was found, nor a sheet "
            "of A4 or Letter, a bank card, a ruler or a target sheet.",
            "Lay the lace on a cutting mat with a grid or one of these beside it, or give two "
            "points a known distance apart, or the lace's width.",
        )
    used = min(claims, key=lambda claim: claim.sigma)
    for claim in claims:
        if claim is not used:
            said = contradiction(used.name, used.local, claim.name, claim.local, claim.mm / used.mm)
            doubts += [said] if said else []
    proved = any(
        claim is not used and abs(np.log(claim.mm / used.mm)) < SAME_SIZE for claim in claims
    )
    doubts += () if proved else used.doubts
    sigma = used.sigma
    if not reference.slant_seen:
        sigma = sigma if used.all_over else float(np.hypot(sigma, UNSQUARE_SIGMA))
        doubts.insert(0, _straight_above(used.name))
    if SURE_95 * sigma > DOUBTFUL:
        doubts.append(_good_to(sigma))
    return reference.scaled(
        used.mm,
        settled=True,
        name=used.name.removeprefix("the "),
        relative_sigma=sigma,
        doubts=tuple(doubts),
        by_width=used.by_width,
    )


def _good_to(sigma: float) -> str:
    return (
        f"The scale is good to {SURE_95 * sigma:.1%} only, 95 times in 100: a mat's grid, or a "
        "printed target sheet beside the lace, gives a better one."
    )


def _straight_above(name: str) -> str:
    return (
        f"The scale comes from {name} alone: the photo is taken as seen from straight above, so "
        "lengths far from there may be a few per cent out."
    )


def _told(reference: Reference, request: ScaleRequest, lace_width: float) -> list[_Claim]:
    """What she told; a scale without slant is worth less elsewhere, which `settle` adds."""
    claims = []
    if request.two_points is not None:
        first, second, apart_mm = request.two_points
        ends = reference.to_mat(np.array([first, second], dtype=float))
        apart = float(np.hypot(*(ends[1] - ends[0])))
        pixels = float(np.hypot(*np.subtract(first, second)))
        name = f"two points {format_length(apart_mm)} apart"
        sigma = float(np.hypot(2.0 / pixels, MEASURED_MM / apart_mm))
        claims.append(_Claim(name, apart_mm / apart, sigma, sigma))
    if request.width_mm is not None:
        name = f"the lace's width of {format_length(request.width_mm)}"
        mm = request.width_mm / lace_width
        claims.append(_Claim(name, mm, WIDTH_SIGMA, WIDTH_SIGMA, by_width=True))
    return claims


def _seen(reference: Reference) -> list[_Claim]:
    claims = []
    for one in reference.found:
        local = one.relative_sigma if one.local_sigma is None else one.local_sigma
        is_map = one is reference.used
        mm = 1.0 if is_map else one.units_of(reference.to_mat)
        name = f"the {one.name}"
        claims.append(_Claim(name, mm, one.relative_sigma, local, one.doubts, all_over=True))
    return claims


def _grid_claim(
    grid: Grid, request: ScaleRequest, others: list[_Claim]
) -> tuple[_Claim, list[str]]:
    """The grid's step in mm: told, or by what else says a length, or by how it is printed."""
    sigma = float(np.hypot(grid.relative_sigma, MAT_SIGMA))

    def claim(step: float) -> _Claim:
        return _Claim(f"the mat grid of {_step_name(step)}", step, sigma, sigma)

    if request.grid_mm is not None:
        return claim(_main_step(request.grid_mm, grid.divided)), []
    read = step_from_print(grid.divided, grid.heavy_every, grid.ticks)
    if not others:
        if read is None:
            raise ScaleError(
                "A printed grid was found, but not whether its step is 1 cm or 1 inch.",
                GRID_REMEDY,
            )
        return claim(read), []
    surest = min(others, key=lambda other: other.local)
    nearest = min(USUAL_STEPS_MM, key=lambda usual: abs(np.log(usual / surest.mm)))
    if abs(nearest / surest.mm - 1) < 0.04:
        if read is None or abs(read / nearest - 1) <= 0.01:
            return claim(nearest), []
        return claim(nearest), [
            f"The mat's heavy lines look like {_step_name(read)}, but {surest.name} says "
            f"{_step_name(nearest)}; that was used."
        ]
    unusual = (
        f"By {surest.name} the mat's grid has a step of {surest.mm:.1f} mm, which is no usual "
        "one: check that length."
    )
    return claim(surest.mm if read is None else read), [unusual]


def _main_step(told_mm: float, divided: int) -> float:
    """The main lines' step, where what she named may be the distance of their parts.

    Examples
    --------
    >>> _main_step(12.7, 2), _main_step(10.0, 2), _main_step(5.0, 2), _main_step(12.7, 1)
    (25.4, 10.0, 10.0, 12.7)
    """
    whole = told_mm * divided
    usual = any(abs(whole / step - 1) < 1e-3 for step in (10.0, MM_PER_INCH))
    is_whole = any(abs(told_mm / step - 1) < 1e-3 for step in (10.0, MM_PER_INCH))
    return whole if usual and not is_whole else told_mm


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
