"""How much deeper than a notch is seen to end its flanks go on.

The threads of both flanks fill the bottom of a notch where it is narrower than they are; what
gap is left blur and the bridging of small gaps close. The flanks beside it are seen well: the
steeper they are, the deeper lies the valley below.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: A notch narrower than this, mm, is filled.
FILLED_MM = 0.7
#: The slope of a flank is told between these distances from the notch, mm, but no farther than
#: this share of the scallop's width.
FROM_MM, TO_MM, TO_SHARE = 0.3, 1.3, 0.09
#: A valley lies deeper by no more than this share of its scallop's depth.
MOST_SHARE = 0.15


def filled_mm(
    u_mm: Floats, height_mm: Floats, valleys_u_mm: Floats, seen: Flags, each: int, depth_mm: float
) -> Floats:
    """How much of each notch is filled.

    Parameters
    ----------
    u_mm, height_mm : ndarray, shape (n,)
        The edge, counted outward.
    valleys_u_mm : ndarray, shape (m,)
        Where the notches are seen to end.
    seen : ndarray of bool, shape (m,)
        Those that were seen.
    each : int
        Scallops in one period: every so many notches are alike.
    depth_mm : float
        Of a scallop.

    Returns
    -------
    ndarray, shape (m,)
        Depth from where a notch is seen to end down to its valley, the same for all alike.
    """
    filled = np.zeros(len(valleys_u_mm))
    if len(valleys_u_mm) < 2:
        return filled
    kind = np.arange(len(valleys_u_mm)) % each
    far = min(TO_MM, TO_SHARE * float(np.diff(valleys_u_mm).min()))
    x = np.linspace(min(FROM_MM, 0.3 * far), far, 9)
    x -= x.mean()
    flanks = valleys_u_mm[:, None, None] + np.array([-1.0, 1.0])[:, None] * (
        x - x[0] + min(FROM_MM, 0.3 * far)
    )
    inside = ((flanks > u_mm[0]) & (flanks < u_mm[-1])).all(2)
    slopes = np.interp(flanks, u_mm, height_mm) @ x / float(x @ x)
    slopes = np.where(inside & seen[:, None], slopes, np.nan)
    for own in (kind == k for k in range(each)):
        if np.isfinite(slopes[own]).any(0).all():
            rise = np.maximum(np.nanmedian(slopes[own], axis=0), 1e-3)
            filled[own] = min(FILLED_MM / float((1 / rise).sum()), MOST_SHARE * depth_mm)
    return filled
