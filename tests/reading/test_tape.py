"""One repeat of 600 mm in the photo, and a tape over five."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from handmade_views import drawn, long_lace, view

from lacelay.errors import CorrectionError
from lacelay.model.lace import Lace, Measured
from lacelay.model.picture import LacePicture
from lacelay.planning.strip import border_strip
from lacelay.reading.read import Reading
from lacelay.reading.tape import Tape, complete_by_tape, repeat_by_tape

TAPE = Tape(3000.0, 5, 2.0)


@cache
def long_one() -> tuple[Lace, LacePicture]:
    lace = long_lace()
    return lace, drawn(lace)


def seen(to_mm: float, *, scale: float = 1.0, relative_sigma: float = 0.004) -> Reading:
    reading = view(*long_one(), 0.0, to_mm, scale=scale, turn_rad=0.002, seed=3)
    sized = replace(reading.lace.scale, relative_sigma=relative_sigma)
    return replace(reading, lace=replace(reading.lace, scale=sized))


def test_a_tape_over_several_says_the_repeat_with_its_doubt() -> None:
    repeat = repeat_by_tape(seen(640).lace, TAPE)
    assert repeat.length_mm == Measured(600.0, 0.4)
    assert repeat.copies == pytest.approx(640 / 600, rel=1e-3)


@pytest.mark.parametrize("scale", [0.99, 1.0, 1.008])
@pytest.mark.parametrize("to_mm", [640.0, 700.0])
def test_the_ends_of_the_photo_show_where_the_repeat_begins_again(scale, to_mm) -> None:
    whole = complete_by_tape(seen(to_mm, scale=scale), TAPE)
    lace = whole.lace
    assert lace.repeat.length_mm.value == pytest.approx(600.0, abs=0.5)
    # The tape puts the scale right as well: the photo's was off by up to 1 %.
    assert lace.length_mm == pytest.approx(to_mm, rel=0.001)
    assert lace.scale.relative_sigma < 0.001
    assert (lace.lower.per_repeat, lace.upper.per_repeat) == (15, 15)
    assert not any("repeat" in doubt.lower() for doubt in lace.doubts)
    columns = whole.picture.rgba.shape[1] / whole.picture.px_per_mm
    assert columns == pytest.approx(to_mm + 6, rel=0.002)


def test_the_record_stands_for_any_length() -> None:
    lace = complete_by_tape(seen(660), TAPE).lace
    strip = border_strip(lace, "lower")
    assert strip.period_mm == pytest.approx(600.0, abs=0.5)
    assert (len(strip.valleys_mm), len(strip.tips_mm)) == (15, 15)


def test_two_places_told_are_taken_where_the_ends_cannot_be_matched() -> None:
    reading = seen(615.0, scale=1.01)
    bare = complete_by_tape(reading, TAPE).lace
    assert any("may be joined up to" in doubt for doubt in bare.doubts)
    assert bare.scale == reading.lace.scale
    places = np.array([[8.0, 60.0], [8.0 + 606.0, 60.0]])
    first, second = reading.lace.photo.lace_to_photo(places).tolist()
    marked = complete_by_tape(reading, TAPE, ends_px=(tuple(first), tuple(second))).lace
    assert marked.repeat.length_mm.value == pytest.approx(600.0, abs=0.6)
    assert marked.length_mm == pytest.approx(615.0, rel=0.002)
    with pytest.raises(CorrectionError, match="two places marked"):
        complete_by_tape(reading, TAPE, ends_px=(tuple(first), (first[0] + 400, first[1])))


def test_a_tape_that_contradicts_the_scale_is_taken_and_told() -> None:
    reading = seen(700.0, scale=1.01, relative_sigma=0.001)
    lace = complete_by_tape(reading, TAPE).lace
    assert lace.repeat.length_mm == Measured(600.0, 0.4)
    assert any("by the written by hand 60.6 cm: the tape was used" in d for d in lace.doubts)


def test_less_than_one_repeat_cannot_be_completed() -> None:
    with pytest.raises(CorrectionError, match=r"longer than the 52\.0 cm") as refusal:
        complete_by_tape(seen(520.0), TAPE)
    assert "several photos that overlap" in refusal.value.remedy


@pytest.mark.parametrize("make", [lambda: Tape(0.0), lambda: Tape(600.0, 0), lambda: Tape(np.inf)])
def test_a_tape_that_measures_nothing_is_refused(make) -> None:
    with pytest.raises(CorrectionError):
        make()
