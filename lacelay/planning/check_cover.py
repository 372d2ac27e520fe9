"""Cover: bare places, layers, and the length to buy."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import shapely
from numpy.typing import NDArray

from lacelay.model.plan import Plan
from lacelay.planning.check_runs import inner_side
from lacelay.planning.remeasured import Remeasured

Found = Iterator[tuple[str, str]]
Points = NDArray[np.float64]
#: Grain at which layers are counted, and the area a layer must have to count.
GRAIN_MM = 1.0
LEAST_LAYER_MM2 = 6.0
#: How far the inner end of a cut may lie to the side of where it is on the edge.
CUT_ASIDE_MM = 20.0
#: Bare places smaller than this need no telling.
LEAST_BARE_MM2 = 6.0


def check_cover(plan: Plan, measured: Remeasured) -> Found:
    """Check the bare places told, those not told, the layers and the purchase."""
    yield from _told(plan, measured)
    yield from _untold(plan, measured)
    yield from _layers(plan, measured)
    yield from _purchase(plan, measured)


def _told(plan: Plan, measured: Remeasured) -> Found:
    for number, gap in enumerate(plan.gaps, start=1):
        outline = shapely.Polygon(gap.outline_mm).buffer(0)
        if outline.intersection(measured.covered).area > 0.02 * outline.area + 0.5:
            yield "bare places", f"bare place {number} is under lace"
        if abs(outline.area - gap.area_mm2) > 0.5 + 0.02 * gap.area_mm2:
            yield (
                "bare places",
                f"bare place {number} has {outline.area:.0f} mm2, {gap.area_mm2:.0f} stated",
            )
        # Its width, measured in 720 directions round the clock.
        way = np.linspace(0.0, np.pi, 720, endpoint=False)
        extents = np.ptp(gap.outline_mm @ np.stack([np.cos(way), np.sin(way)]), axis=0)
        if abs(float(extents.min()) - gap.width_mm) > 0.2:
            yield (
                "bare places",
                f"bare place {number} is {extents.min():.1f} mm wide, {gap.width_mm:.1f} stated",
            )


def _untold(plan: Plan, measured: Remeasured) -> Found:
    """Look over the band that every run covers, between its scallop line and its inner side."""
    curve = plan.target.curve
    off = max(run.edge_error_mm for run in plan.runs)
    near = max(off - plan.wishes.stand_mm, 0.0) + 0.5
    s = np.arange(0.0, curve.length_mm, 1.0)
    far = np.full_like(s, np.inf)
    for index, run in enumerate(plan.runs):
        inner = float(inner_side(plan, measured, index)[:, 1].min()) - plan.wishes.stand_mm
        low, high = run.edge_interval_mm
        # Cuts do not run square to the edge: a deeper run's neighbour bounds the band here too.
        on = (s >= low - CUT_ASIDE_MM) & (s <= high + CUT_ASIDE_MM)
        far[on] = np.minimum(far[on], inner - off - 0.5)
    s, far = s[far > near + 2.0], far[far > near + 2.0]
    if not len(s):
        return
    corners = np.stack(
        [
            curve.place(s, near),
            curve.place(s + 1.0, near),
            curve.place(s + 1.0, far),
            curve.place(s, far),
        ],
        axis=1,
    )
    band = shapely.union_all(shapely.buffer(shapely.polygons(corners), 0.01))
    told = shapely.union_all([shapely.Polygon(gap.outline_mm).buffer(0.2) for gap in plan.gaps])
    bare_parts = band.difference(measured.covered).difference(told).difference(measured.beyond)
    for part in shapely.get_parts(bare_parts):
        # A sliver along a run's side is no bare place: look at what is left after 0.3 mm.
        bare = part.buffer(-0.3)
        if bare.area > LEAST_BARE_MM2:
            x, y = part.centroid.coords[0]
            yield (
                "bare places",
                f"{part.area:.0f} mm2 are bare at ({x:.0f}, {y:.0f}) and not told",
            )


def _layers(plan: Plan, measured: Remeasured) -> Found:
    low_x, low_y, high_x, high_y = measured.covered.bounds
    x, y = np.meshgrid(np.arange(low_x, high_x, GRAIN_MM), np.arange(low_y, high_y, GRAIN_MM))
    count = np.zeros(x.shape, dtype=int)
    for piece in measured.pieces:
        x0, y0, x1, y1 = piece.bounds
        near = (x >= x0) & (x <= x1) & (y >= y0) & (y <= y1)
        shapely.prepare(piece)
        count[near] += shapely.contains_xy(piece, x[near], y[near])
    deep = [
        level
        for level in range(1, count.max() + 1)
        if (count >= level).sum() * GRAIN_MM**2 > LEAST_LAYER_MM2
    ]
    found = max(deep, default=1)
    seen = int(count.max())
    if not found <= plan.layers <= max(seen, found):
        yield "layers", f"{found} layers lie over each other, {plan.layers} stated"


def _purchase(plan: Plan, measured: Remeasured) -> Found:
    purchase = plan.purchase
    if purchase is None:
        return
    every = np.concatenate([measured.along(run.outline_mm) for run in plan.runs])
    used = float(every.max() - every.min())
    if used > purchase.used_mm + 1.0:
        yield "to buy", f"{used:.0f} mm of border are laid, {purchase.used_mm:.0f} counted"
    if purchase.to_buy_mm + 1e-6 < used + purchase.start_anywhere_mm + purchase.ragged_ends_mm:
        yield "to buy", "what is bought does not serve at every starting point"
    if 0.0 < purchase.start_anywhere_mm < measured.period_mm - 1e-6:
        yield "to buy", "less than one repeat is kept for where the bolt was cut"
    steps = purchase.to_buy_mm / purchase.increment_mm
    if abs(steps - round(steps)) > 1e-6:
        yield "to buy", "the length is not a whole number of what the shop sells by"
