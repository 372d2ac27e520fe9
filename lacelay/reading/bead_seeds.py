"""Say which round spots of a lace are surely beads, so that their look can be learned.

Round spots fall into kinds that look alike: crossings and holes of the net, knots, dots of
thread, beads lit from one side. Each kind is judged as a whole: a bead has gloss and even
shading, it is neither thread nor mat nor a mixture of them, and it is there again a repeat
away, where the meshes of a net need not be.
"""

from __future__ import annotations

from dataclasses import astuple

import cv2
import numpy as np
from numpy.typing import NDArray

from lacelay.model.lace import Repeat
from lacelay.reading.bead_look import copies
from lacelay.reading.bead_spots import Cores, Floats, Image, Mask, Spots, View, anywhere, cores

Whole = NDArray[np.int64]

#: Roundest spots that are sorted into kinds, and how many kinds.
SORTED, KINDS, LEAST_OF_KIND = 700, 12, 8
#: Main directions in which spots differ that are looked at.
DIRECTIONS, POWERS = 16, 4
#: How far out of its middle a spot is looked at, mm.
CORE_MM = 0.5
#: Least gloss, lightness; and as a share of the lightness between thread and mat, at least.
GLOSS, GLOSS_SHARE = 3.5, 0.1
#: Least difference from thread.
UNLIKE = 4.0
#: A colour is none of thread and mat from this many times the usual distance on.
STRANGE, LEAST_STRANGE = 1.6, 3.5
#: and then covers this at least, so that it is no hole.
COVERS = 0.25
#: One between thread and mat is a bead where it is opaque, glossy, unlike thread and shaded,
#: but not as strongly as an edge between both; shares of the lightness between them.
OPAQUE, GLOSSY, APART_FROM_THREAD, SHADED = 0.6, 0.11, 0.13, (0.22, 0.42)
#: Each of a kind of beads must look like one with thresholds this much lower.
SLACK = 0.7
#: Beads told are shaded by this lightness at least, and no holes.
LEAST_SHADED, NO_HOLE = 9.0, 0.1
#: and by no more than this, or than this share of the lightness between thread and mat.
MOST_SHADED, MOST_SHADED_SHARE = 28.0, 0.5
#: From this distance from all mixtures of thread and mat on a colour says enough.
FOREIGN, LESS_STRANGE = 8.0, 0.7
#: A spot is no bead that covers, or has gloss, less than this share of what the sure ones do.
LESS_COVER, LESS_GLOSS = 0.5, 0.25
#: Places that tell how strange a lace usually is.
MEASURED = 600
#: Share of a kind's spots that are there again a repeat away, where so many were asked.
AGAIN, ASKED = 0.06, 30


def sure_beads(view: View, spots: Spots, discs: Image, usual: float, repeat: Repeat | None) -> Mask:
    """Which spots belong to kinds that are beads.

    Parameters
    ----------
    spots : Spots
        The roundest first.
    discs : ndarray, shape (n, pictures * places)
        Of the spots.
    usual : float
        How strange the colour of a place on this lace usually is.
    repeat : Repeat or None
    """
    sure = np.zeros(len(spots), bool)
    first = np.arange(min(SORTED, len(spots)))
    if len(first) < 2 * KINDS:
        return sure
    kind = _kinds(discs, first)
    seen = cores(view, spots.at[first], CORE_MM)
    for k in range(KINDS):
        members = first[kind == k]
        if len(members) < LEAST_OF_KIND:
            continue
        if not _beaded(_typical(seen.where(members)), view.contrast, usual)[0]:
            continue
        if repeat is not None and repeat.sure >= 0.5:
            at = spots.at[members]
            found, asked = copies(view, at, np.ones(len(at)), repeat)
            if asked.sum() >= ASKED and found.sum() < AGAIN * asked.sum():
                continue
        sure[members] = True
    sure[first] &= _beaded(seen, view.contrast, usual, SLACK)
    return sure


def _kinds(discs: Image, first: Whole) -> Whole:
    """The kind of each of the first spots: along their main directions, each to scale."""
    off = discs - discs.mean(axis=0)
    spread = off.T @ off / np.float32(len(off))
    # The few largest of many directions: powers of the spread turn any towards them.
    axis = np.random.default_rng(1).normal(size=(len(spread), DIRECTIONS + 8))
    for _ in range(POWERS):
        axis = np.linalg.qr(spread @ axis.astype(np.float32))[0]
    value, turn = np.linalg.eigh(axis.T @ spread @ axis)
    value, axis = value[::-1], axis @ turn[:, ::-1]
    within = off[first] @ axis[:, :DIRECTIONS]
    within = within / np.sqrt(value[:DIRECTIONS] + value[DIRECTIONS])
    # The library draws its first middles at random; the same ones each time.
    cv2.setRNGSeed(1)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 15, 1e-3)
    _, kind, _ = cv2.kmeans(
        within.astype(np.float32), KINDS, np.empty(0), stop, 2, cv2.KMEANS_PP_CENTERS
    )
    return np.asarray(kind, np.int64).ravel()


def _beaded(seen: Cores, contrast: float, usual: float, slack: float = 1.0) -> Mask:
    """Which looks are those of beads.

    Parameters
    ----------
    contrast : float
        Lightness between thread and mat.
    usual : float
        How strange the colour of a place on this lace usually is.
    slack : float
        Thresholds are this much lower.
    """
    contrast = max(contrast, 20.0)
    glossy = seen.gloss > slack * max(GLOSS, GLOSS_SHARE * contrast)
    glossy &= seen.unlike > slack * UNLIKE
    foreign = seen.strange > slack * max(STRANGE * usual, LEAST_STRANGE)
    foreign &= seen.lowest > slack * COVERS
    shading = seen.shading / contrast
    shaded = (shading > slack * SHADED[0]) & (shading < SHADED[1] / slack)
    shaded &= (seen.gloss > slack * GLOSSY * contrast) & (seen.lowest > slack * OPAQUE)
    shaded &= seen.unlike > slack * APART_FROM_THREAD * contrast
    return np.asarray(glossy & (foreign | shaded), dtype=bool)


def _typical(seen: Cores) -> Cores:
    """The middling look of all."""
    return Cores(*(np.array([np.median(values)]) for values in astuple(seen)))


def usual_strange(view: View, at: Floats) -> float:
    """How far off the mixtures of thread and mat places on a lace usually are."""
    return float(np.median(cores(view, at, CORE_MM).strange))


def surely_beads(view: View, at: Floats) -> bool:
    """Whether places look like beads, on the whole, as sure kinds do."""
    usual = usual_strange(view, anywhere(view, MEASURED, np.random.default_rng(1)))
    return bool(_beaded(_typical(cores(view, at, CORE_MM)), view.contrast, usual)[0])


def may_be_beads(view: View, at: Floats) -> bool:
    """Whether nothing in the look of places, on the whole, says that they are none.

    Enough for what stands apart from all else and is there again in every repeat.
    """
    seen = cores(view, at, CORE_MM)
    contrast = max(view.contrast, 20.0)
    shading = float(np.median(seen.shading))
    glossy = np.median(seen.gloss) > max(GLOSS, GLOSS_SHARE * contrast)
    # Shaded from thread to mat it is an edge between them.
    shaded = LEAST_SHADED < shading < max(MOST_SHADED_SHARE * contrast, MOST_SHADED)
    unlike = np.median(seen.unlike) > UNLIKE
    return bool(glossy and shaded and unlike and np.median(seen.lowest) > NO_HOLE)


def like(view: View, at: Floats, sure: Cores) -> Mask:
    """Which places cover and have gloss as sure beads do, or not much less."""
    seen = cores(view, at, CORE_MM)
    covers = seen.lowest > LESS_COVER * np.median(sure.lowest)
    # A colour that neither thread nor mat has is cover enough.
    foreign = float(np.median(sure.strange))
    if foreign > FOREIGN:
        covers |= seen.strange > LESS_STRANGE * foreign
    return np.asarray(covers & (seen.gloss > LESS_GLOSS * np.median(sure.gloss)), dtype=bool)
