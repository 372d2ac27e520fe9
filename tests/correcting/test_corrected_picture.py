"""The lace's picture stays with its record: same frame, same scale, same outline."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from handmade import galloon
from handmade_readings import PRINT, px, pxs, seen
from handmade_views import drawn

from lacelay.correcting.corrected import corrected
from lacelay.correcting.picture import corrected_picture
from lacelay.model import corrections as told
from lacelay.model.corrections import Correction, Corrections
from lacelay.model.lace import Lace
from lacelay.model.picture import LacePicture


@cache
def read() -> tuple[Lace, LacePicture]:
    lace = galloon()
    return seen(lace), drawn(lace)


def after(*corrections: Correction) -> tuple[Lace, LacePicture]:
    lace, picture = read()
    now, notes = corrected(lace, Corrections(PRINT, corrections))
    assert all(note.placed for note in notes)
    return now, corrected_picture(picture, lace, now)


def cover_at(picture: LacePicture, places: np.ndarray) -> np.ndarray:
    column, row = np.round(picture.lace_to_picture(places)).astype(int).T
    inside = (row >= 0) & (row < picture.rgba.shape[0])
    inside &= (column >= 0) & (column < picture.rgba.shape[1])
    cover = np.zeros(len(places))
    cover[inside] = picture.rgba[row[inside], column[inside], 3]
    return cover


def places_on_photo() -> np.ndarray:
    """Photo points spread over the lace."""
    rng = np.random.default_rng(4)
    spots = np.column_stack([rng.uniform(4, 350, 3000), rng.uniform(2, 138, 3000)])
    return read()[0].photo.lace_to_photo(spots)


def agreement(now: Lace, picture: LacePicture) -> float:
    """Share of photo points at which both pictures show the same, motif or none."""
    lace, before = read()
    spots = places_on_photo()
    was = cover_at(before, lace.photo.photo_to_lace(spots)) > 180
    return float((was == (cover_at(picture, now.photo.photo_to_lace(spots)) > 180)).mean())


def test_a_picture_whose_record_kept_its_frame_is_the_same_one() -> None:
    lace, _ = read()
    _, picture = after(told.MotifStruck("c1", px(lace, 20, 8)), told.RepeatNone("c2"))
    assert picture is read()[1]


def test_a_scaled_picture_is_the_same_pixels_at_another_size() -> None:
    lace, _ = read()
    now, picture = after(told.ScaleByLine("c1", px(lace, 20, 60), px(lace, 220, 60), 210.0))
    assert picture.rgba is read()[1].rgba
    assert picture.px_per_mm == pytest.approx(read()[1].px_per_mm / 1.05, rel=1e-3)
    assert agreement(now, picture) > 0.999


def test_a_picture_follows_another_perspective() -> None:
    lace, _ = read()
    sheet = lace.photo.mat_to_photo(
        np.array([[30.0, 20.0], [240.0, 20.0], [240.0, 121.0], [30.0, 121.0]])
    )
    corners = tuple((float(x), float(y)) for x, y in sheet)
    now, picture = after(told.ScaleByRectangle("c1", corners, 210.0, 100.0))
    assert picture.rgba is not read()[1].rgba
    assert agreement(now, picture) > 0.985


def test_what_a_redrawn_outline_leaves_out_is_gone_from_the_picture() -> None:
    lace, _ = read()
    kept = [(100, -12), (366, -12), (366, 152), (100, 152)]
    now, picture = after(told.OutlineRedrawn("c1", pxs(lace, kept)))
    left = np.column_stack([np.full(50, -3.0), np.linspace(5, 135, 50)])
    assert cover_at(picture, left).max() == 0
    spots = now.photo.lace_to_photo(np.column_stack([np.full(50, 40.0), np.linspace(5, 135, 50)]))
    np.testing.assert_allclose(
        cover_at(picture, now.photo.photo_to_lace(spots)),
        cover_at(read()[1], lace.photo.photo_to_lace(spots)),
        atol=90,
    )
