"""A card of another colour with lace on it: a background of its own.

Lace is often sold wound or pinned on a card. Seen from the mat all of the card differs, so
its lace must be told from the card instead.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from lacelay.reading.cloth import (
    PIECE_COVER,
    Floats,
    Search,
    disc,
    featureless_points,
    fill_holes,
    joint_px,
    threads,
)
from lacelay.reading.colours import commonest, length_of
from lacelay.reading.light import light_on
from lacelay.reading.mat import (
    Image,
    Mask,
    Mat,
    completed,
    distance,
    glare_of,
    sampled,
    shade_of,
    surface_at,
    upsample,
)
from lacelay.reading.scale import Reference

#: A card covers this share of the photo at least.
LEAST_CARD = 0.02
#: It is as full as a rectangle by this share, and its own colour along its rim by the second.
CARD_FULL, RIM_OWN = 0.85, 0.7
#: Own colour: within this Lab distance of the commonest; of all of the card at least and at
#: most these shares: bare paper has no lace on it.
OWN_LAB, OWN_SHARE = 9.0, (0.12, 0.95)
#: A card, and what lies on it, differ from the mat beside it by more than this.
THROUGH_HOLES_LAB = 15.0
#: A card with lace of the mat's colour on it is without threads on this share of its rim.
BARE_RIM = 0.6
#: Width of the rim that is looked at, as a share of the photo's side.
RIM_SHARE = 0.008


@dataclass(frozen=True, eq=False)
class Card:
    """A card with something on it.

    Parameters
    ----------
    outline : ndarray of bool
        Where it lies, in the pieces' picture; its very rim is left out.
    mat : Mat
        Its colour.
    seen : ndarray of float32
        What on it is thread, as in `Search`.
    """

    outline: Mask
    mat: Mat
    seen: Image


def find_cards(found: Search, reference: Reference) -> list[Card]:
    """Find cards of another colour than the mat's that have something lying on them."""
    different = fill_holes((found.seen > PIECE_COVER) | _plain_but_far(found))
    different &= found.on_mat
    count, labels, stats, _ = cv2.connectedComponentsWithStats(different.astype(np.uint8))
    size = found.seen.shape[::-1]
    lab = np.asarray(cv2.resize(found.lab, size, interpolation=cv2.INTER_AREA), dtype=np.float32)
    smooth = cv2.resize(found.smooth.view(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    cards = []
    for k in range(1, count):
        if stats[k, cv2.CC_STAT_AREA] < LEAST_CARD * different.size:
            continue
        outline = _card_outline(labels == k, lab)
        if outline is not None:
            rim = outline & (cv2.erode(outline.view(np.uint8), disc(_rim_px(outline))) == 0)
            card = _on_card(outline, float(smooth[rim].mean()), found, reference)
            cards += [card] if card is not None else []
    return cards


def _plain_but_far(found: Search) -> Mask:
    """Smooth places of another colour than the mat's, in the pieces' picture."""
    plain = (found.smooth & (found.far > 0.5 * found.mat.contrast)).astype(np.uint8)
    size = found.seen.shape[::-1]
    return cv2.resize(plain, size, interpolation=cv2.INTER_NEAREST) > 0


def _card_outline(piece: Mask, lab: Image) -> Mask | None:
    """Where a card lies, if the piece is one: four straight sides, its own colour all along."""
    rim = _rim_px(piece)
    opened = cv2.morphologyEx(piece.astype(np.uint8), cv2.MORPH_OPEN, disc(rim))
    contours, _ = cv2.findContours(opened, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return None
    largest = max(contours, key=cv2.contourArea)
    _, sides, _ = cv2.minAreaRect(largest)
    if cv2.contourArea(largest) < CARD_FULL * sides[0] * sides[1]:
        return None
    whole = np.zeros(piece.shape, np.uint8)
    cv2.drawContours(whole, [largest], -1, 1, cv2.FILLED)
    whole = np.asarray(cv2.erode(whole, disc(2)), dtype=np.uint8)
    inner = cv2.erode(whole, disc(rim))
    edge = (whole > 0) & (inner == 0)
    if not edge.any():
        return None
    own = commonest(lab[edge])
    like = length_of(lab - own.astype(np.float32)) < OWN_LAB
    if like[edge].mean() < RIM_OWN:
        return None
    share = float(like[whole > 0].mean())
    return whole > 0 if OWN_SHARE[0] < share < OWN_SHARE[1] else None


def _rim_px(picture: Mask) -> int:
    return int(max(3, round(RIM_SHARE * max(picture.shape))))


def _on_card(outline: Mask, smooth_rim: float, found: Search, reference: Reference) -> Card | None:
    """Tell what lies on a card from the card; `smooth_rim` is how much of its rim is bare."""
    lab, shrink = found.lab, found.picture_shrink
    shape = lab.shape[:2]
    on_card = cv2.resize(outline.astype(np.uint8), shape[::-1], interpolation=cv2.INTER_NEAREST) > 0
    ys, xs = np.nonzero(on_card)
    keep = slice(None, None, max(1, len(ys) // 20_000))
    ys, xs = ys[keep], xs[keep]
    colours = lab[ys, xs]
    photo = np.stack([(xs + 0.5) / shrink - 0.5, (ys + 0.5) / shrink - 0.5], -1)
    terms, noise = _plane(colours, photo, reference.size_px)
    rows, columns = sampled(shape)
    at = np.stack(np.meshgrid((columns + 0.5) / shrink - 0.5, (rows + 0.5) / shrink - 0.5), axis=-1)
    surface = surface_at(terms, at, shape, reference.size_px)
    ways = (glare_of(terms[0]), shade_of(terms[0]))
    light = light_on(lab - surface, None, on_card, noise, ways, shrink)
    if light is not None:
        surface += upsample(light.at(at), shape)
    mat = completed(lab, surface, None, on_card, terms, noise, reference)
    mat = replace(mat, light=light)
    here = found.mat.lab_at(at, shape)[ys, xs].mean(0)
    if mat.contrast <= 0 or float(np.linalg.norm(terms[0] - here)) < THROUGH_HOLES_LAB:
        return None
    # What is seen through the holes of a lace is the mat: that is no card, unless it is bare
    # card all along its rim.
    through = float(np.linalg.norm(mat.lace_lab - here)) < THROUGH_HOLES_LAB
    if through and smooth_rim < BARE_RIM:
        return None
    far = mat.relit(distance(lab, surface, None, mat, joint_px(shape)), at)
    thread = threads(far, mat, featureless_points(lab, None, noise)) & on_card
    seen = cv2.resize(thread.astype(np.float32), outline.shape[::-1], interpolation=cv2.INTER_AREA)
    return Card(outline, mat, np.asarray(seen, dtype=np.float32))


def _plane(colours: Image, photo_px: Floats, size_px: tuple[int, int]) -> tuple[Floats, float]:
    """The card's colour as a plane in x and y, in the terms of `Mat`, and its noise."""
    scaled = photo_px / np.asarray(size_px, dtype=float) * 2 - 1
    basis = np.column_stack([np.ones(len(scaled)), scaled])
    terms = np.zeros((10, 3))
    terms[0] = commonest(colours)
    noise, limit = 3.0, OWN_LAB
    for used in (1, 3, 3, 3):
        far = np.sqrt(((colours - basis @ terms[:3]) ** 2).sum(1))
        inlier = far < limit
        if inlier.sum() < 60:
            break
        terms = np.zeros((10, 3))
        terms[:used] = np.linalg.lstsq(basis[inlier, :used], colours[inlier], rcond=None)[0]
        far = np.sqrt(((colours - basis @ terms[:3]) ** 2).sum(1))
        noise = float(np.median(far[inlier]))
        limit = float(np.clip(4.5 * noise, 4.0, OWN_LAB))
    return terms, noise
