"""Edges from drawings: closed forms, a browser as judge, and every refusal in words."""

import contextlib
import math
import shutil
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lacelay.errors import FileFormError, LacelayError, TargetError
from lacelay.files.svg_edge import read_svg_edge

PAGE = 'width="210mm" height="297mm" viewBox="0 0 210 297"'


def _drawing(folder: Path, content: str, page: str = PAGE) -> Path:
    path = folder / "pattern.svg"
    path.write_text(f'<svg xmlns="http://www.w3.org/2000/svg" {page}>{content}</svg>')
    return path


def _path(d: str, more: str = "") -> str:
    return f'<path id="edge" d="{d}" {more}/>'


def _ellipse_quarter(a: float, b: float) -> float:
    """Quarter of an ellipse's perimeter, by the integral of its speed (trapezium rule)."""
    t = np.linspace(0, math.pi / 2, 200_001)
    return float(np.trapezoid(np.hypot(a * np.sin(t), b * np.cos(t)), t))


@pytest.mark.parametrize(
    ("d", "length"),
    [
        ("M10,100 H110", 100.0),
        ("M10,100 A90,90 0 0 1 190,100", 90 * math.pi),
        ("M10,100 A90,90 0 0 1 100,10", 45 * math.pi),
        ("M10,100 A80,50 0 0 1 90,50", _ellipse_quarter(80, 50)),
        # a rounded corner: straight, quarter of radius 20, straight
        ("M10,10 h50 a20,20 0 0 1 20,20 v60", 110 + 10 * math.pi),
        # the cubic that stands for a parabola y = x^2/100 from 0 to 100: its arc length
        ("M0,0 C33.3333333,0 66.6666667,33.3333333 100,100", 147.8942857),
        ("M0,0 Q50,0 100,100", 147.8942857),
    ],
)
def test_lengths_in_closed_form(tmp_path, d, length) -> None:
    edge = read_svg_edge(_drawing(tmp_path, _path(d)), "edge", covered="left")
    assert edge.length_mm == pytest.approx(length, abs=0.02)


def test_an_arc_keeps_its_curvature(tmp_path: Path) -> None:
    drawing = _drawing(tmp_path, _path("M10,100 A90,90 0 0 1 190,100"))
    curve = read_svg_edge(drawing, "edge", covered="right").curve
    kappa = curve.kappa(np.linspace(2, curve.length_mm - 2, 400))
    # drawn over the top from left to right, so the inside of the arc is on the right
    assert kappa == pytest.approx(1 / 90, rel=0.03)
    assert float(curve.turning(0, curve.length_mm)) == pytest.approx(math.pi, abs=0.01)


@pytest.mark.parametrize(
    ("page", "factor"),
    [
        ('width="210mm" height="297mm" viewBox="0 0 210 297"', 1.0),
        ('width="21cm" height="29.7cm" viewBox="0 0 2100 2970"', 0.1),
        ('width="10in" height="10in"', 25.4 / 96),
        ('width="360pt" height="360pt" viewBox="0 0 100 100"', 1.27),
        ('width="100mm" viewBox="0 0 200 300"', 0.5),
        ('height="150mm" viewBox="0 0 200 300"', 0.5),
        ('width="100mm" height="100mm" viewBox="0 0 100 200"', 0.5),  # fitted whole
        (
            'width="100mm" height="100mm" viewBox="0 0 100 200" '
            'preserveAspectRatio="xMidYMid slice"',
            1,
        ),
    ],
)
def test_every_real_unit_is_understood(tmp_path, page, factor) -> None:
    drawing = _drawing(tmp_path, _path("M5,20 H105"), page)
    edge = read_svg_edge(drawing, "edge", covered="left")
    assert edge.length_mm == pytest.approx(100 * factor, rel=1e-6)


def test_left_is_left_as_drawn(tmp_path: Path) -> None:
    drawing = _drawing(tmp_path, _path("M10,100 H110"))
    left = read_svg_edge(drawing, "edge", covered="left").curve
    right = read_svg_edge(drawing, "edge", covered="right").curve
    # seen, y grows downwards in the drawing; left of a line drawn to the right is above it
    assert left.place(50, 10)[1] == pytest.approx(-100 + 10)
    assert right.place(50, 10)[1] == pytest.approx(-100 - 10)


def test_left_is_left_as_drawn_under_a_mirroring_transform(tmp_path: Path) -> None:
    mirrored = _path("M10,100 H110", 'transform="translate(200,0) scale(-1,1)"')
    left = read_svg_edge(_drawing(tmp_path, mirrored), "edge", covered="left").curve
    # seen, it now runs to the left, so its left side is below it
    assert left.at(0) == pytest.approx([190, -100])
    assert left.place(50, 10)[1] == pytest.approx(-110)


def test_the_centre_is_measured_from_the_start_of_the_path(tmp_path: Path) -> None:
    drawing = _drawing(tmp_path, _path("M10,100 H110"))
    for side in ("left", "right"):
        edge = read_svg_edge(drawing, "edge", covered=side, centre_at_mm=30.0)
        assert edge.curve.at(edge.centre.s_mm) == pytest.approx([40, -100], abs=1e-6)
    edge = read_svg_edge(drawing, "edge", covered="left", centre_at_mm="middle")
    assert edge.centre.s_mm == pytest.approx(50)
    with pytest.raises(TargetError, match="lies off the path"):
        read_svg_edge(drawing, "edge", covered="left", centre_at_mm=101.0)


def test_corners_stay(tmp_path: Path) -> None:
    drawing = _drawing(tmp_path, _path("M10,10 L60,60 L110,10"))
    curve = read_svg_edge(drawing, "edge", covered="left").curve
    assert np.hypot(*(curve.points_mm - [60, -60]).T).min() < 1e-9
    assert curve.length_mm == pytest.approx(100 * math.sqrt(2), abs=1e-6)
    assert abs(float(curve.turning(0, curve.length_mm))) == pytest.approx(math.pi / 2, abs=0.02)


@pytest.mark.parametrize(
    "element",
    [
        '<line id="edge" x1="10" y1="20" x2="110" y2="20"/>',
        '<polyline id="edge" points="10,20 60,20 110,20"/>',
        '<g transform="scale(2)"><g transform="translate(5 0)">'
        '<path id="edge" d="M0,20h50"/></g></g>',
    ],
)
def test_other_elements_and_groups(tmp_path, element) -> None:
    edge = read_svg_edge(_drawing(tmp_path, element), "edge", covered="left")
    assert edge.length_mm == pytest.approx(100)
    assert edge.curve.at(0)[0] == pytest.approx(10)


JUDGED = {
    "arc under a skew": (
        "",
        _path("M20,40 A60,30 20 0 1 120,60", 'transform="skewX(25) rotate(10)"'),
        "",
    ),
    "mixed path": (
        "",
        _path("M20,80 c10,-40 50,-40 60,0 s40,50 60,10 q10,-30 20,0 t10,5 A20,30 10 0 1 190,120"),
        "",
    ),
    "nested groups": (
        '<g transform="rotate(15 50 50)"><g transform="translate(30,20) scale(0.5,0.8)">',
        _path("M20,40 C60,0 100,120 160,60", 'transform="matrix(1 .2 -.1 .9 4 5)"'),
        "</g></g>",
    ),
    "nested drawing": (
        '<g transform="translate(5,5)"><svg x="10" y="20" width="120" height="90" '
        'viewBox="10 10 60 60" preserveAspectRatio="xMinYMax meet">',
        _path("M12,30 A10,10 0 0 1 32,30 T60,40"),
        "</svg></g>",
    ),
}


@pytest.fixture(scope="module")
def browser():
    from playwright.sync_api import sync_playwright

    chromium = shutil.which("chromium")
    assert chromium, "Chromium is missing: apt-get install chromium"
    flags = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"]
    flags += ["--disable-background-networking", "--disable-component-update", "--disable-sync"]
    with sync_playwright() as play:
        opened = play.chromium.launch(executable_path=chromium, args=flags)
        yield opened
        opened.close()


@pytest.mark.parametrize("name", JUDGED)
def test_a_browser_sees_the_same_path(tmp_path, browser, name) -> None:
    content = "".join(JUDGED[name])
    drawing = _drawing(tmp_path, content)
    page = browser.new_page(viewport={"width": 1200, "height": 1400})
    page.set_content(f"<body style='margin:0'>{drawing.read_text()}</body>")
    seen_px = page.evaluate(
        """() => {
          const path = document.getElementById('edge');
          const matrix = path.getScreenCTM(), length = path.getTotalLength(), points = [];
          for (let k = 0; k <= 4000; k++) {
            const p = path.getPointAtLength(length * k / 4000).matrixTransform(matrix);
            points.push([p.x, p.y]);
          }
          return points;
        }"""
    )
    page.close()
    seen = np.array(seen_px) * (25.4 / 96) * [1, -1]
    curve = read_svg_edge(drawing, "edge", covered="left").curve
    assert curve.at(0) == pytest.approx(seen[0], abs=0.01)
    assert curve.at(curve.length_mm) == pytest.approx(seen[-1], abs=0.01)
    steps = np.hypot(*np.diff(seen, axis=0).T)
    assert curve.length_mm == pytest.approx(steps.sum(), abs=0.05)
    s = np.concatenate([[0], np.cumsum(steps)]) * curve.length_mm / steps.sum()
    # 0.05 mm of flattening, and a little for the browser's own chords
    assert np.hypot(*(curve.at(s) - seen).T).max() < 0.06


ARC = _path("M10,100 A90,90 0 0 1 190,100")
BAD = {
    "no units": (ARC, 'viewBox="0 0 210 297"', "no real units"),
    "pixels": (ARC, 'width="210px" height="297px"', "no real units"),
    "share": (ARC, 'width="100%" height="100%" viewBox="0 0 1 1"', "no real units"),
    "no such id": ('<path id="hem" d="M0,0H99"/><path id="top" d="M0,0H99"/>', PAGE, "hem, top"),
    "no ids at all": ('<path d="M0,0H99"/>', PAGE, "Give the path an id"),
    "two of that id": (ARC + ARC, PAGE, "2 things"),
    "a group": ('<g id="edge"/>', PAGE, "not a path but a <g>"),
    "a definition": (f"<defs>{ARC}</defs>", PAGE, "not drawn"),
    "several pieces": (_path("M0,0H99 M0,9H99"), PAGE, "several pieces"),
    "crossing": (_path("M10,10 L110,60 L110,10 L10,60"), PAGE, "crosses or retraces"),
    "retracing": (_path("M10,10 H110 H20"), PAGE, "crosses or retraces"),
    "closed": (_path("M10,10 H110 V60 Z"), PAGE, "is closed"),
    "closed circle": ('<circle id="edge" cx="50" cy="50" r="40"/>', PAGE, "is closed"),
    "empty": (_path(""), PAGE, "is empty"),
    "a point": (_path("M10,10 L10,10"), PAGE, "is empty"),
    "nonsense": (_path("M10,10 Lfish"), PAGE, "cannot be read"),
    "huge numbers": (_path("M0,0 L1e308,1e308"), PAGE, "cannot be read|would be"),
    "too large": (_path("M0,0 H21000"), PAGE, "no garment's edge"),
    "far too large": (_path("M0,0 C9e9,0 9e9,9 9,9"), PAGE, "would be"),
    "too small": (_path("M0,0 H4"), PAGE, "4.0 mm long"),
    "script": ("<script>alert(1)</script>" + ARC, PAGE, "carries a script"),
    "style transform": (_path("M0,0H99", 'style="transform:scale(2)"'), PAGE, "moved by a style"),
}


@pytest.mark.parametrize("name", BAD)
def test_every_refusal_has_its_own_sentence(tmp_path, name) -> None:
    content, page, words = BAD[name]
    with pytest.raises(LacelayError, match=words):
        read_svg_edge(_drawing(tmp_path, content, page), "edge", covered="left")


def test_refusals_are_told_apart(tmp_path: Path) -> None:
    told = set()
    for content, page, _words in BAD.values():
        with pytest.raises(LacelayError) as refusal:
            read_svg_edge(_drawing(tmp_path, content, page), "edge", covered="left")
        told.add(str(refusal.value))
    # the two empty paths, and the two that cross or retrace, are told alike
    assert len(told) >= len(BAD) - 4


def test_a_known_width_gives_a_drawing_its_scale(tmp_path: Path) -> None:
    drawing = _drawing(tmp_path, _path("M10,10 H110"), 'viewBox="0 0 200 300"')
    edge = read_svg_edge(drawing, "edge", covered="left", drawing_width_mm=500.0)
    assert edge.length_mm == pytest.approx(250)
    drawing = _drawing(tmp_path, _path("M10,10 H110"), 'width="400px"')
    edge = read_svg_edge(drawing, "edge", covered="left", drawing_width_mm=200.0)
    assert edge.length_mm == pytest.approx(50)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("a shopping list", "not an SVG"),
        ("<html><body/></html>", "not an SVG"),
        ("<svg", "not an SVG"),
        ('<!DOCTYPE svg [<!ENTITY a "b">]><svg>&a;</svg>', "defines entities"),
        ('<!DOCTYPE svg SYSTEM "file:///etc/passwd" [<!ENTITY x SYSTEM "file:///etc/passwd">]>'
         "<svg>&x;</svg>", "defines entities"),
        ("", "is empty"),
    ],
)  # fmt: skip
def test_what_is_no_drawing_is_told(tmp_path, text, words) -> None:
    path = tmp_path / "pattern.svg"
    path.write_text(text)
    with pytest.raises(FileFormError, match=words):
        read_svg_edge(path, "edge", covered="left")


def test_groups_nested_very_deep_do_not_break_it(tmp_path: Path) -> None:
    depth = 100_000
    drawing = _drawing(tmp_path, "<g>" * depth + ARC + "</g>" * depth)
    assert read_svg_edge(drawing, "edge", covered="left").length_mm > 280


def test_a_path_of_millions_of_points_is_told(tmp_path: Path) -> None:
    drawing = _drawing(tmp_path, _path("M0,0" + "l1,0" * 1_000_000))
    with pytest.raises(TargetError, match="more than a million points"):
        read_svg_edge(drawing, "edge", covered="left")


def test_references_are_not_followed(tmp_path: Path) -> None:
    doubled = "".join(
        f'<g id="g{k}"><use href="#g{k + 1}"/><use href="#g{k + 1}"/></g>' for k in range(40)
    )
    drawing = _drawing(tmp_path, doubled + '<g id="g40"><use href="#g0"/></g>' + ARC)
    assert read_svg_edge(drawing, "edge", covered="left").length_mm == pytest.approx(
        282.74, abs=0.02
    )


@settings(max_examples=150, deadline=None)
@given(d=st.text(alphabet="MmLlHhVvCcSsQqTtAaZz0123456789.,- eE+", max_size=40))
def test_no_path_data_breaks_it(tmp_path_factory, d) -> None:
    drawing = _drawing(tmp_path_factory.mktemp("svg"), _path(d))
    with contextlib.suppress(LacelayError):
        edge = read_svg_edge(drawing, "edge", covered="left")
        assert 5 <= edge.length_mm <= 20_000


def test_a_drawn_hem_is_the_built_in_hem(tmp_path: Path) -> None:
    from lacelay.model.shapes import circular_hem

    built = circular_hem(radius_mm=120, angle_rad=math.pi / 2)
    half = 120 / math.sqrt(2)
    # from the viewer's left along the bottom of the circle to the right, its middle above
    d = f"M{105 - half},100 A120,120 0 0 0 {105 + half},100"
    drawn = read_svg_edge(_drawing(tmp_path, _path(d)), "edge", covered="left", kind="free")
    assert drawn.length_mm == pytest.approx(built.length_mm, abs=0.01)
    s = np.linspace(0, built.length_mm, 50)
    shift = built.curve.at(0) - drawn.curve.at(0)
    assert drawn.curve.at(s) + shift == pytest.approx(built.curve.at(s), abs=0.01)
    assert drawn.curve.place(s, 40) + shift == pytest.approx(built.curve.place(s, 40), abs=0.05)


def test_drawn_the_other_way_with_the_other_side_covered_it_is_the_same_edge(tmp_path) -> None:
    one = _drawing(tmp_path, _path("M10,100 C40,20 90,20 120,100"))
    there = read_svg_edge(one, "edge", covered="right", centre_at_mm=30.0)
    other = _drawing(tmp_path, _path("M120,100 C90,20 40,20 10,100"))
    back = read_svg_edge(other, "edge", covered="left", centre_at_mm=there.length_mm - 30.0)
    assert there.curve.points_mm == pytest.approx(back.curve.points_mm, abs=1e-6)
    assert there.centre.s_mm == pytest.approx(back.centre.s_mm, abs=1e-6)
