"""Tell the symmetry of the strip: which of the seven frieze groups it has.

What the copies of the repeat have in common is compared with its mirrored, turned and
glided selves. How alike "alike" is, the copies say themselves: two copies of one repeat
agree so far and no further, by wear, light and the way the lace lies.

Glossary
--------
V : mirror across the length, u to -u. H : mirror along it, v to -v. R : half turn.
G : H with a shift of half a repeat.
Groups by IUCr name and what they hold besides the repeat: p1 nothing, p11g G, p1m1 V, p2 R,
p2mg R V G, p11m H (and so G of a whole repeat), p2mm R H V.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.reading.ground import Ground
from lacelay.reading.images import agreement, band_starts, images_alike, images_seen
from lacelay.reading.mat import Image, Mask
from lacelay.reading.medians import median_of_bytes

#: Operations each group holds.
HOLDS: Mapping[str, tuple[str, ...]] = {
    "p2mm": ("R", "H", "V"),
    "p2mg": ("R", "V", "G"),
    "p11m": ("H",),
    "p2": ("R",),
    "p1m1": ("V",),
    "p11g": ("G",),
    "p1": (),
}
#: Resolution of the comparison, px per mm, and the blur that forgives small warps, mm.
PX_PER_MM, BLUR_MM = 2.0, 0.45
#: An operation holds when the strip is as like its image as this share of how like its
#: copies are to each other.
HELD_SHARE = 0.8
#: Within this share of the limit the group is in doubt.
DOUBT_SHARE = 0.08
#: So many copies at the most are compared with the others.
MOST_COPIES = 6
#: Without copies to say how alike "alike" is, an operation holds from this likeness on.
LONE_LIMIT = 0.72
#: Rows that hold lace over this share of their length lie within the scallops.
INNER_SHARE = 0.98
#: The threads of an edge reach in no further than this from its valleys, mm.
EDGE_MM = 2.0


@dataclass(frozen=True, eq=False)
class Symmetry:
    """The group, or None with the reason; how alike the strip is to its images.

    Parameters
    ----------
    group : str or None
        IUCr name.
    likeness : mapping of str to float
        Of V, H, R and G; -1 to 1.
    copies_alike : float
        Of one copy with the others: the measure for the rest.
    doubt : str or None
        In her words.
    """

    group: str | None
    likeness: Mapping[str, float]
    copies_alike: float
    doubt: str | None


def read_symmetry(ground: Ground, *, lower_scalloped: bool, upper_scalloped: bool) -> Symmetry:
    """Tell the group from the folded picture of the repeat.

    Parameters
    ----------
    ground : Ground
    lower_scalloped, upper_scalloped : bool
        A strip scalloped on one edge only cannot be turned or mirrored along its length.
    """
    possible = ("p1", "p1m1") if lower_scalloped != upper_scalloped else tuple(HOLDS)
    copies = ground.copies
    q = min(PX_PER_MM, copies.px_per_mm)
    shrink = q / copies.px_per_mm
    extent = _few(ground.extent, shrink)
    rows = np.flatnonzero(extent.mean(axis=1) > 0.5)
    if len(rows) < 8:
        return Symmetry(None, {}, 0.0, "too little of the lace is seen to tell its symmetry")
    middle = float(rows[0] + rows[-1]) / 2
    if not copies.wraps:
        return _of_one(ground, extent, middle, q, possible)
    folded = np.stack([_small(copy, shrink, True) for copy in ground.in_copy])
    mask = np.stack([_few(seen, shrink) for seen in copies.seen])
    alike = _copies_alike(folded, mask)
    common = median_of_bytes(folded, mask).astype(np.float32)
    likeness = images_alike(common, middle, q)
    limit = HELD_SHARE * alike
    group = group_of(likeness, limit, possible)
    doubt = _doubt(likeness, limit, possible)
    if doubt is None and len(possible) > 2 and lower_scalloped and group in ("p1", "p11g"):
        doubt = _motifs_alone(common, extent, q, limit, group)
    return Symmetry(group, likeness, alike, doubt)


def _motifs_alone(common: Image, extent: Mask, q: float, limit: float, group: str) -> str | None:
    """What to say where the motifs have a symmetry that the scallops do not share."""
    inner = np.flatnonzero(extent.mean(axis=1) > INNER_SHARE)
    inner = inner[round(EDGE_MM * q) : -round(EDGE_MM * q)]
    if len(inner) < 8:
        return None
    own = common[inner[0] : inner[-1] + 1]
    likeness = images_alike(own, (len(own) - 1) / 2, q)
    if group_of(likeness, limit, tuple(HOLDS)) in ("p1", group):
        return None
    return (
        "the motifs by themselves could be turned or mirrored, but the scallops do not fall in "
        "with them: taken as a whole the lace cannot"
    )


def _of_one(
    ground: Ground, extent: Mask, middle: float, q: float, possible: tuple[str, ...]
) -> Symmetry:
    """The group by the strip itself, where no copies can be combined."""
    deep = extent.sum(axis=0)
    columns = np.flatnonzero(deep > 0.5 * np.median(deep[deep > 0]))
    own = slice(int(columns[0]), int(columns[-1]) + 1)
    picture = _small(ground.in_copy[0], q / ground.copies.px_per_mm, False)[:, own]
    likeness = images_seen(picture.astype(np.float32), middle, q)
    if min(likeness["V"], likeness["R"]) >= LONE_LIMIT > likeness["H"]:
        # A mirror and a half turn, one after the other, are H or G: G may lie out of sight.
        likeness["G"] = max(likeness["G"], min(likeness["V"], likeness["R"]))
    group = group_of(likeness, LONE_LIMIT, possible)
    told = (
        f"whether the lace can be turned or mirrored was told by what is seen alone "
        f"({ground.copies.reason}): what is not seen may differ, so compare it by hand"
    )
    return Symmetry(group, likeness, 1.0, told)


def group_of(likeness: Mapping[str, float], limit: float, possible: tuple[str, ...]) -> str:
    """The group with the most operations that all hold; of two alike the better one."""
    best = ("p1", 0, 0.0)
    for group in possible:
        held = [likeness[name] for name in HOLDS[group]]
        if held and min(held) >= limit and (len(held), min(held)) > best[1:]:
            best = (group, len(held), min(held))
    return best[0]


def _size(picture: NDArray[np.generic], shrink: float) -> tuple[int, int]:
    return max(8, round(picture.shape[1] * shrink)), max(8, round(picture.shape[0] * shrink))


def _few(mask: Mask, shrink: float) -> Mask:
    """A mask of fewer pixels."""
    size = _size(mask, shrink)
    return np.asarray(cv2.resize(mask.view(np.uint8), size, interpolation=cv2.INTER_NEAREST)) > 0


def _small(picture: NDArray[np.uint8], shrink: float, wraps: bool) -> NDArray[np.uint8]:
    """Blurred and smaller."""
    size = _size(picture, shrink)
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    blur = BLUR_MM * PX_PER_MM
    pad = int(3 * blur)
    sides = cv2.BORDER_WRAP if wraps else cv2.BORDER_REPLICATE
    wide = cv2.copyMakeBorder(small, 0, 0, pad, pad, sides)
    wide = cv2.GaussianBlur(wide, (0, 0), blur)
    return np.asarray(wide, dtype=np.uint8)[:, pad : pad + size[0]]


def _copies_alike(folded: NDArray[np.uint8], mask: NDArray[np.bool_]) -> float:
    """Likeness of each copy with the others, measured as the images are."""
    found, weights = [], []
    for k in range(0, len(folded), 1 + (len(folded) - 1) // MOST_COPIES):
        others, theirs = np.delete(folded, k, axis=0), np.delete(mask, k, axis=0)
        both = mask[k] & theirs.any(axis=0)
        if both.mean() < 0.2:
            continue
        sides = []
        for picture in (folded[k], median_of_bytes(others, theirs)):
            count = np.maximum(both.sum(axis=1, keepdims=True), 1)
            mean = (picture * both).sum(axis=1, keepdims=True) / count
            sides.append(np.where(both, picture - mean, 0).astype(np.float64))
        one, two = sides
        starts = band_starts(len(one))
        sums = [np.add.reduceat(term.sum(axis=1), starts) for term in (one * two, one**2, two**2)]
        found.append(agreement(*sums))
        weights.append(float(both.mean()))
    return float(np.average(found, weights=weights)) if found else 1.0


def _doubt(likeness: Mapping[str, float], limit: float, possible: tuple[str, ...]) -> str | None:
    asked = {name for group in possible for name in HOLDS[group]}
    close = [name for name in asked if abs(likeness[name] / max(limit, 1e-9) - 1) < DOUBT_SHARE]
    if not close:
        return None
    words = {
        "V": "whether left and right mirror each other",
        "H": "whether its two edges mirror each other",
        "R": "whether it matches when turned round",
        "G": "whether its two edges are the same half a repeat apart",
    }
    told = " and ".join(words[name] for name in sorted(close))
    return f"{told} is not sure: compare it by hand"
