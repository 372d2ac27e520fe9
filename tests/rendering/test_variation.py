"""Variations: frozen magnitudes, and a truth that the pixels bear out."""

import hashlib
from dataclasses import astuple

import cv2
import numpy as np
import pytest
from shapely.geometry import Polygon

from lacelay.model import target_board
from lacelay.rendering import SIZES, VARIATIONS, Variation, draw_variation, render_photo
from lacelay.rendering.families import FAMILIES
from lacelay.rendering.things import CARD_MM

SIZE = (1200, 900)


def rendered(name, family, seed, size=SIZE, level="easy"):
    return render_photo(family, seed, size_px=size, level=level, variation=VARIATIONS[name])


def grey_at(image, points):
    at = np.asarray(points, dtype=np.float32)
    return cv2.remap(image, at[:, :1], at[:, 1:], cv2.INTER_LINEAR).ravel().astype(float)


def test_magnitudes_are_frozen():
    """Readings are measured against these: whoever changes them measures all again."""
    digest = hashlib.sha256(repr((astuple(SIZES), sorted(VARIATIONS))).encode()).hexdigest()
    assert digest == "b548f9f9dbb90c74a62a7c0a78af785ba8539be21230ec3654e911685027275c"


def test_photos_without_a_variation_keep_what_they_were():
    """Block means and truth of two photos of renderer version 1, noted when it was frozen."""
    for family, seed, repeat, tips, means in PLAIN:
        made = render_photo(family, seed, size_px=(480, 360))
        assert made.lace.repeat.length_mm.value == pytest.approx(repeat, abs=1e-9)
        assert made.lace.lower.tips_mm.sum() == pytest.approx(tips, abs=1e-6)
        blocks = cv2.resize(made.photo, (4, 3), interpolation=cv2.INTER_AREA)[..., 1]
        # decoders of JPEG may differ in the last level
        assert np.abs(blocks.astype(float).ravel() - means).max() <= 1


PLAIN = [
    (
        "sprays",
        3,
        90.29405057420753,
        1653.9481856431555,
        [114, 112, 110, 100, 162, 167, 167, 162, 110, 109, 113, 117],
    ),
    (
        "beaded",
        11,
        96.09709426660719,
        672.7763449653537,
        [120, 126, 129, 127, 165, 161, 165, 169, 137, 153, 154, 149],
    ),
]


@pytest.mark.parametrize("family", FAMILIES)
def test_drawn_variations_suit_the_family_and_differ(family):
    drawn = [draw_variation(np.random.default_rng(seed), family) for seed in range(60)]
    assert all(family in each.families for each in drawn)
    assert len(set(drawn)) > 30
    assert any(each.reference for each in drawn)
    assert any(each.clutter for each in drawn)
    assert draw_variation(np.random.default_rng(5), family) == drawn[5]


@pytest.mark.parametrize(
    "wrong",
    [
        {"reference": "shoe"},
        {"clutter": ("cat",)},
        {"lay": "ring", "reference": "a4"},
        {"clutter": ("second-strip",), "reference": "card"},
    ],
)
def test_senseless_variations_are_refused(wrong):
    with pytest.raises(ValueError, match=r"no |room|on each other"):
        Variation(**wrong)


def test_a_family_that_cannot_vary_so_is_refused():
    with pytest.raises(ValueError, match="never"):
        rendered("design header", "sprays", 1)
    with pytest.raises(ValueError, match="does not fill"):
        render_photo("sprays", 1, size_px=SIZE, variation=VARIATIONS["mat plain"], overfull=True)


def test_same_arguments_same_bytes():
    first, second = (rendered("clutter hand", "guipure", 5, (480, 360)) for _ in range(2))
    assert np.array_equal(first.photo, second.photo)
    assert first.details.hidden_mm[0] == pytest.approx(second.details.hidden_mm[0])


def corners_of_brightest(photo):
    """Corners of the largest light quadrangle, shape (4, 2)."""
    grey = cv2.GaussianBlur(photo.min(axis=2), (0, 0), 1.0)
    _, mask = cv2.threshold(grey, 0, 255, cv2.THRESH_OTSU)
    mask = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((25, 25), np.uint8))
    lines, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    found = max(
        lines, key=lambda line: cv2.contourArea(line) ** 2 / cv2.contourArea(cv2.convexHull(line))
    )
    return cv2.approxPolyDP(found, 0.02 * cv2.arcLength(found, True), True).reshape(-1, 2)


@pytest.mark.parametrize(
    ("name", "sides"),
    [("a4", (297.0, 210.0)), ("letter", (279.4, 215.9))],  # ISO 216; 11 x 8 1/2 in
)
def test_a_sheet_has_its_size_on_the_mat(name, sides):
    made = rendered(f"reference {name}", "fine-black", 4)
    corners = corners_of_brightest(made.photo)
    assert len(corners) == 4
    mat = made.lace.photo.photo_to_mat_mm(corners.astype(float))
    found = np.sort(np.hypot(*(np.roll(mat, -1, 0) - mat).T))
    assert found == pytest.approx(np.sort(np.repeat(sides, 2)), rel=0.012)
    assert made.lace.scale.reference == name
    assert made.mat.pitch_mm is None


def test_a_card_is_an_id_1_card():
    """ISO/IEC 7810: 85.60 x 53.98 mm."""
    assert CARD_MM == (85.60, 53.98)


def test_the_target_board_is_found_where_the_map_puts_it():
    made = rendered("reference board", "sprays", 4, (1600, 1200))
    numbers = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, target_board.MARKER_SET))
    corners, ids, _ = cv2.aruco.ArucoDetector(numbers).detectMarkers(
        cv2.cvtColor(made.photo, cv2.COLOR_RGB2GRAY)
    )
    assert len(ids) == target_board.MARKERS
    first = min(int(number) for number in ids.ravel())
    assert first in target_board.FIRST_MARKER.values()
    places = target_board.markers_mm()
    printed, seen = [], []
    for corner, number in zip(corners, ids.ravel(), strict=True):
        printed.append(places[number - first] + target_board.MARKER_MM / 2)
        mat = made.lace.photo.photo_to_mat_mm(corner.reshape(4, 2).astype(float))
        seen.append(mat.mean(axis=0))
    apart = [np.hypot(*(np.array(p)[:, None] - np.array(p)[None]).T) for p in (printed, seen)]
    assert np.abs(apart[0] - apart[1]).max() < 0.35


@pytest.mark.parametrize(("name", "tick"), [("ruler-mm", 1.0), ("ruler-inch", 25.4 / 16)])
def test_a_rulers_ticks_stand_at_their_distance(name, tick):
    """The strongest period along some line beside the lace is the tick's."""
    made = rendered(f"reference {name}", "sprays", 6, (2400, 1800))
    lace = made.lace
    step, count = 0.05, 2400
    best = []
    grey = cv2.cvtColor(made.photo, cv2.COLOR_RGB2GRAY)
    for off in np.concatenate([np.arange(10, 90, 0.75), -np.arange(10, 90, 0.75)]):
        base = off + (lace.width_mm.value if off > 0 else 0)
        for lean in np.arange(-0.04, 0.0401, 0.01):
            u = lace.length_mm / 2 + (np.arange(count) - count / 2) * step
            v = base + (u - lace.length_mm / 2) * np.tan(lean)
            at = lace.photo.lace_to_photo(np.column_stack([u, v]))
            if np.any(at < 2) or np.any(at > np.array([2397, 1797])):
                continue
            line = grey_at(grey, at)
            power = np.abs(np.fft.rfft((line - line.mean()) * np.hanning(count))) ** 2
            period = count * step / np.maximum(np.arange(len(power)), 1)
            band = (period > 0.6) & (period < 2.5)
            top = np.argmax(np.where(band, power, 0))
            best.append((power[top], period[top]))
    assert max(best)[1] == pytest.approx(tick, rel=0.02)


def test_a_ring_closes_and_its_scallops_are_all_there():
    made = rendered("lay ring", "corded", 3)
    lace = made.lace
    repeats = round(lace.length_mm / lace.repeat.length_mm.value)
    assert lace.length_mm == pytest.approx(repeats * lace.repeat.length_mm.value, abs=0.6)
    for edge in (lace.lower, lace.upper):
        assert edge.count == repeats * edge.per_repeat == len(edge.valleys_mm) - 1
        ends = lace.photo.lace_to_mat(edge.valleys_mm[[0, -1]])
        assert ends[0] == pytest.approx(ends[1], abs=0.3)
    # just inside every tip there is thread, well outside none
    for edge, outward in ((lace.lower, -1.0), (lace.upper, 1.0)):
        for off, lit in ((-1.2, True), (2.5, False)):
            points = lace.photo.lace_to_photo(edge.tips_mm + [0.0, outward * off])
            covered = grey_at(cv2.dilate(made.matte, np.ones((3, 3))), points) > 100
            assert np.mean(covered) > 0.9 if lit else np.mean(covered) < 0.1
    assert made.details.closed


def test_several_strips_lie_beside_each_other():
    made = rendered("lay card-of-strips", "sprays", 2, (480, 360))
    outlines = [
        Polygon(lace.photo.lace_to_mat(lace.outline_mm)).buffer(0)
        for lace in (made.lace, *made.details.others)
    ]
    assert len(outlines) == 3
    for k, one in enumerate(outlines):
        assert all(one.distance(other) > 4 for other in outlines[:k])
    assert outlines[0].area == max(each.area for each in outlines)


def test_what_lies_over_the_lace_hides_it():
    made = rendered("clutter ruler-across", "fine-black", 2)
    (cover,) = made.details.hidden_mm
    hidden = Polygon(cover)
    lace = Polygon(made.lace.photo.lace_to_mat(made.lace.outline_mm)).buffer(0)
    assert hidden.intersection(lace).area > 800
    assert Polygon(cover).minimum_rotated_rectangle.area == pytest.approx(hidden.area, rel=0.02)


def test_small_scallops_keep_the_large_ones_tips_and_valleys():
    made = rendered("design compound", "guipure", 3)
    assert made.details.small_scallops in (3, 5, 7)
    edge = made.lace.lower
    near = made.lace.photo.lace_to_photo(edge.tips_mm + [0.0, 0.5])
    beyond = made.lace.photo.lace_to_photo(edge.tips_mm - [0.0, 1.2])
    wide = cv2.dilate(made.matte, np.ones((3, 3)))
    assert np.all(grey_at(wide, near) > 100)
    assert np.all(grey_at(made.matte, beyond) < 60)


def test_a_header_has_a_finer_period_than_the_repeat():
    made = rendered("design header", "guipure", 2, (1600, 1200))
    lace = made.lace
    fine = made.details.header_mm
    assert lace.repeat.length_mm.value / fine == pytest.approx(
        round(lace.repeat.length_mm.value / fine)
    )
    band = 1.3 * fine
    u = np.arange(10.0, lace.length_mm - 10, 0.1)
    top = lace.outline_mm[:, 1].max()
    at = lace.photo.lace_to_photo(np.column_stack([u, np.full(len(u), top - band / 2)]))
    line = grey_at(made.matte, at)
    power = np.abs(np.fft.rfft((line - line.mean()) * np.hanning(len(u))))
    assert len(u) * 0.1 / np.argmax(power) == pytest.approx(fine, rel=0.03)


@pytest.mark.parametrize(("name", "least", "most"), [("one", 0.97, 1.03), ("less", 0.4, 0.97)])
def test_copies_are_as_few_as_named(name, least, most):
    made = rendered(f"copies {name}", "sprays", 1, (320, 240))
    assert least <= made.lace.repeat.copies <= most


def test_bead_runs_hold_every_bead_once_and_follow_the_thread():
    lace = (made := rendered("mat plain", "beaded", 3, (480, 360))).lace
    runs = made.details.bead_runs
    assert sorted(np.concatenate(runs)) == list(range(len(lace.beads)))
    places = np.array([[bead.u_mm, bead.v_mm] for bead in lace.beads])
    long = [run for run in runs if len(run) > 4]
    assert long
    steps = np.concatenate([np.hypot(*np.diff(places[run], axis=0).T) for run in long])
    assert np.median(steps) < 3.2
    # the run along the edge goes on over every repeat
    assert max(len(run) for run in runs) > 0.8 * lace.length_mm / 2.7


def test_metallic_thread_glints_and_tone_on_tone_is_faint():
    shiny = rendered("thread metallic", "corded", 2, (800, 600))
    thread = shiny.photo[shiny.matte > 200]
    assert np.percentile(thread, 99.5) > 235
    faint = rendered("thread tone-on-tone", "sprays", 2, (800, 600))
    plain = rendered("mat plain", "sprays", 2, (800, 600))
    apart = []
    for made in (faint, plain):
        grey = cv2.cvtColor(made.photo, cv2.COLOR_RGB2GRAY).astype(float)
        thread = (made.matte > 0).astype(np.uint8)
        near = cv2.dilate(thread, np.ones((31, 31))) - cv2.dilate(thread, np.ones((9, 9)))
        apart.append(abs(grey[made.motif_mask > 200].mean() - grey[near > 0].mean()))
    assert 8 < apart[0] < 0.5 * apart[1]


def test_upright_lace_is_read_from_the_bottom_up():
    lace = rendered("lay upright", "sprays", 3, (480, 360)).lace
    low, far = lace.photo.lace_to_photo(np.array([[0.0, 0.0], [lace.length_mm, 0.0]]))
    other = lace.photo.lace_to_photo(np.array([[0.0, lace.width_mm.value]]))[0]
    assert far[1] < low[1] - 200  # up in the photo
    assert other[0] < low[0]  # its lower edge is the right one
