"""Records to disk and back: nothing lost, the same bytes, and refusals that name the place."""

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from lacelay.errors import FileFormError, LacelayError, MissingFileError
from lacelay.files.json_schema import FOLDER, schemas
from lacelay.files.records import (
    read_lace_file,
    read_plan,
    read_target,
    write_lace,
    write_plan,
    write_target,
)
from lacelay.model.choices import (
    PLAN_NAMES,
    Choice,
    CurvePoint,
    LimitGain,
    Reasons,
    ThreeWays,
    WithoutCut,
)
from lacelay.model.lace import Lace
from lacelay.model.shapes import SHAPES, scoop_neckline


def assert_same(found: object, expected: object, at: str = "") -> None:
    """Every field alike, arrays and numbers to 1e-6."""
    if dataclasses.is_dataclass(expected):
        assert type(found) is type(expected), at
        for field in dataclasses.fields(expected):
            assert_same(
                getattr(found, field.name), getattr(expected, field.name), f"{at}.{field.name}"
            )
    elif isinstance(expected, np.ndarray | float):
        assert found == pytest.approx(expected, abs=1e-6), at
    elif isinstance(expected, tuple):
        assert len(found) == len(expected), at
        for k, (a, b) in enumerate(zip(found, expected, strict=True)):
            assert_same(a, b, f"{at}[{k}]")
    else:
        assert found == expected, at


def test_a_lace_comes_back_whole(tmp_path, lace, picture) -> None:
    path = tmp_path / "lace.json"
    write_lace(path, lace, picture, photo_file="photo.jpg")
    found, seen = read_lace_file(path)
    assert_same(found, lace)
    assert_same(seen, picture)


def test_a_plan_comes_back_whole(tmp_path, plan, picture) -> None:
    path = tmp_path / "plan.json"
    write_plan(path, plan, picture)
    found, seen = read_plan(path)
    assert_same(found, plan)
    assert_same(seen, picture)


def test_reasons_and_the_three_come_back_whole(tmp_path, plan) -> None:
    reasons = Reasons(
        (
            WithoutCut(0, 1.25, 20.0, 7.5, -1, (9.0, 14.0), (0.0, 2.5), (1.0, 3.0)),
            WithoutCut(
                1, None, 20.0, None, 0, (0.0, 0.0), (0.0, 0.0), (0.0, 0.0), "edge_limit_mm", 5.125
            ),
        ),
        (LimitGain("lap_mm", 30.0, 33.0, 12.5, 1),),
    )
    choices = tuple(
        Choice(name, 5 + k, 12.0, 3.0, 1.5, 0.25, 110.0, "as told", "balanced" if k == 2 else None)
        for k, name in enumerate(PLAN_NAMES)
    )
    curve = (CurvePoint(5, 120.0, 3.25), CurvePoint(6, 118.5, 2.0))
    three = ThreeWays(choices, curve, "fewest cuts")
    whole = dataclasses.replace(plan, reasons=reasons, three=three)
    path = tmp_path / "plan.json"
    write_plan(path, whole)
    assert_same(read_plan(path)[0], whole)
    assert _violations("lacelay-plan", path) == []


def test_a_plan_from_before_reasons_still_opens(tmp_path, plan) -> None:
    path = tmp_path / "plan.json"
    write_plan(path, plan)
    before = json.loads(path.read_text())
    for name in ("reasons", "three"):
        before["plan"].pop(name)
    path.write_text(json.dumps(before))
    found, _ = read_plan(path)
    assert (found.reasons, found.three) == (None, None)


@pytest.mark.parametrize("name", SHAPES)
def test_an_edge_comes_back_whole(tmp_path, name) -> None:
    target = SHAPES[name].edge()
    write_target(tmp_path / "edge.json", target)
    found = read_target(tmp_path / "edge.json")
    assert_same(found, target)
    assert found.length_mm == pytest.approx(target.length_mm, abs=1e-6)


def test_what_was_read_is_written_with_the_same_bytes(tmp_path, plan, lace, picture) -> None:
    first, again = tmp_path / "a" / "x.json", tmp_path / "b" / "x.json"
    write_plan(first, plan, picture)
    write_plan(again, *read_plan(first))
    assert first.read_bytes() == again.read_bytes()
    write_lace(first, lace, picture)
    write_lace(again, *read_lace_file(first))
    assert first.read_bytes() == again.read_bytes()
    assert (tmp_path / "a" / "x.lace.png").read_bytes() == (
        tmp_path / "b" / "x.lace.png"
    ).read_bytes()


def test_points_are_given_in_mm_and_in_pixels_of_the_photo(tmp_path, lace) -> None:
    write_lace(tmp_path / "lace.json", lace)
    stored = json.loads((tmp_path / "lace.json").read_text())["lace"]
    for track in (
        stored["outline"],
        stored["lower"]["valleys"],
        stored["lower"]["tips"],
        stored["motifs"][2]["outline"],
        stored["cords"][0],
    ):
        seen = lace.photo.lace_to_photo(np.array(track["mm"]))
        assert np.array(track["px"]) == pytest.approx(seen, abs=1e-3)
    bead = stored["beads"][3]
    assert bead["px"] == pytest.approx(
        lace.photo.lace_to_photo(np.array([bead["mm"]]))[0], abs=1e-3
    )


def test_the_map_stored_is_the_map_described(tmp_path, lace) -> None:
    """Pixels to mat millimetres by the file's own numbers, by a few independent lines."""
    write_lace(tmp_path / "lace.json", lace)
    stored = json.loads((tmp_path / "lace.json").read_text())["lace"]
    chart = stored["photo"]
    (k1, k2), f = chart["radial"], chart["focal_px"]
    centre = np.array(chart["centre_px"])
    mat = lace.photo.lace_to_mat(np.array(stored["outline"]["mm"]))
    homography = np.linalg.inv(np.array(chart["photo_to_mat"]))
    for (x, y), pixel in zip(mat, stored["outline"]["px"], strict=True):
        a, b, c = homography @ [x, y, 1.0]
        ideal = np.array([a / c, b / c])
        r2 = float((((ideal - centre) / f) ** 2).sum())
        assert ideal + (ideal - centre) * (k1 * r2 + k2 * r2**2) == pytest.approx(pixel, abs=2e-3)


def test_a_lace_without_a_photo_has_no_pixels(tmp_path, lace) -> None:
    bare = dataclasses.replace(lace, photo=None)
    write_lace(tmp_path / "lace.json", bare)
    stored = json.loads((tmp_path / "lace.json").read_text())["lace"]
    assert stored["outline"]["px"] is None
    assert_same(read_lace_file(tmp_path / "lace.json")[0], bare)


def _changed(path: Path, change) -> None:
    stored = json.loads(path.read_text())
    change(stored)
    path.write_text(json.dumps(stored))


def _set(*keys, value):
    def change(stored):
        for key in keys[:-1]:
            stored = stored[key]
        stored[keys[-1]] = value

    return change


def _drop(*keys):
    def change(stored):
        for key in keys[:-1]:
            stored = stored[key]
        del stored[keys[-1]]

    return change


WRONG = {
    "text for a number": (_set("lace", "length_mm", value="200"), r"\$.lace.length_mm"),
    "a length below nothing": (_set("lace", "length_mm", value=-1), r"\$.lace.length_mm"),
    "a missing field": (_drop("lace", "scale"), "scale"),
    "a misspelt field": (_set("lace", "lenght_mm", value=3), "lenght_mm"),
    "one number for a point": (_set("lace", "outline", "mm", 1, value=[3]), "outline"),
    "shares that do not sum": (_set("lace", "shares", "open", value=0.9), "sum to 1"),
    "valleys out of order": (
        _set("lace", "lower", "valleys", value={"mm": [[40, 0], [0, 0]]}),
        "in lower, valleys_mm must be in order",
    ),
    "a scallop without width": (_set("lace", "lower", "pitch_mm", value=None), "in lower"),
    "no pixels to two points": (_set("lace", "outline", "px", value=[[0, 0]]), "1 in px"),
    "millimetres and pixels apart": (
        _set("lace", "motifs", 1, "outline", "px", 5, value=[0, 0]),
        r"point 5 of motifs\[1\].* px apart",
    ),
    "an unknown symmetry": (_set("lace", "symmetry", value="p9"), "p9"),
    "a flat map": (_set("lace", "photo", "photo_to_mat", value=[[0] * 3] * 3), "in photo"),
    "an outline of two points": (
        _set("lace", "outline", value={"mm": [[0, 0], [1, 1]]}),
        "outline",
    ),
    "another kind": (_set("format", value="lacelay-plan"), "is a plan, not a lace record"),
    "a stranger": (_set("format", value="recipe"), "something else"),
    "a newer version": (_set("version", value=2), "Bring lacelay up to date"),
    "no version": (_drop("version"), "not a file of lacelay"),
    "a picture elsewhere": (_set("picture", "file", value="../a.png"), "outside its own folder"),
    "another picture": (_set("picture", "sha256", value="0" * 64), "is not the picture"),
}


@pytest.mark.parametrize("name", WRONG)
def test_what_is_wrong_is_named(tmp_path, lace, picture, name) -> None:
    change, words = WRONG[name]
    path = tmp_path / "lace.json"
    write_lace(path, lace, picture)
    _changed(path, change)
    with pytest.raises(FileFormError, match=words):
        read_lace_file(path)


WRONG_PLAN = {
    "a misspelt weight": (_set("plan", "weights", "cutt", value=3), "cutt.*plan.weights"),
    "a weight below nothing": (_set("plan", "weights", "cut", value=-3), "weights"),
    "a cut too few": (_set("plan", "cuts", value=[]), "one cut between"),
    "less bought than needed": (_set("plan", "purchase", "to_buy_mm", value=1), "less is bought"),
    "a mark off the edge": (_set("edge", "landmarks", 0, "s_mm", value=9999), "lies off the edge"),
    "headings missing": (_set("edge", "heading_rad", value=[0.0]), "one heading"),
    "an unknown side": (_set("plan", "side", value="middle"), "plan.side"),
    "no edge": (_drop("edge"), "edge"),
}


@pytest.mark.parametrize("name", WRONG_PLAN)
def test_what_is_wrong_in_a_plan_is_named(tmp_path, plan, name) -> None:
    change, words = WRONG_PLAN[name]
    path = tmp_path / "plan.json"
    write_plan(path, plan)
    _changed(path, change)
    with pytest.raises(FileFormError, match=words):
        read_plan(path)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]",
        "null",
        "12",
        '{"format": "lacelay-lace"}',
        "[" * 100_000,
        "\xff",
        '{"a": NaN}',
    ],
)
def test_what_is_no_json_of_ours_is_told(tmp_path, text) -> None:
    path = tmp_path / "lace.json"
    path.write_text(text, encoding="latin-1")
    with pytest.raises(FileFormError):
        read_lace_file(path)


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity", "1e999", "1e300"])
def test_numbers_that_are_none_are_refused(tmp_path, lace, number) -> None:
    path = tmp_path / "lace.json"
    write_lace(path, lace)
    text = path.read_text()
    assert '"length_mm": 200.0' in text
    path.write_text(text.replace('"length_mm": 200.0', f'"length_mm": {number}', 1))
    with pytest.raises(FileFormError):
        read_lace_file(path)


def test_missing_files_are_told(tmp_path, lace, picture) -> None:
    with pytest.raises(MissingFileError):
        read_plan(tmp_path / "plan.json")
    write_lace(tmp_path / "lace.json", lace, picture)
    (tmp_path / "lace.lace.png").unlink()
    with pytest.raises(MissingFileError, match=r"lace\.lace\.png"):
        read_lace_file(tmp_path / "lace.json")


def test_schemas_published_are_those_of_the_forms() -> None:
    assert {path.name for path in FOLDER.glob("*.json")} == set(schemas())
    for name, text in schemas().items():
        assert (FOLDER / name).read_text(encoding="utf-8") == text, (
            "run python -m lacelay.files.json_schema"
        )


def _violations(name: str, path: Path) -> list[str]:
    schema = json.loads((FOLDER / f"{name}.schema.json").read_text(encoding="utf-8"))
    Draft202012Validator.check_schema(schema)
    checker = Draft202012Validator(schema)
    return [each.message for each in checker.iter_errors(json.loads(path.read_text()))]


def test_files_are_as_their_schemas_say(tmp_path, lace, plan, picture) -> None:
    path = tmp_path / "x.json"
    write_lace(path, lace, picture)
    assert _violations("lacelay-lace", path) == []
    write_plan(path, plan, picture)
    assert _violations("lacelay-plan", path) == []
    _changed(path, _set("plan", "weights", "cutt", value=3))
    assert _violations("lacelay-plan", path)
    write_target(path, scoop_neckline())
    assert _violations("lacelay-edge", path) == []
    _changed(path, _drop("version"))
    assert _violations("lacelay-edge", path)


lengths = st.floats(0.001, 9e5, allow_nan=False)
sigmas = st.floats(0, 1e4, allow_nan=False)


@settings(max_examples=60, deadline=None)
@given(length=lengths, width=lengths, sigma=sigmas, relative=st.floats(0, 1), u=lengths)
def test_numbers_come_back(tmp_path_factory, length, width, sigma, relative, u) -> None:
    from lacelay.model.lace import LaceEdge, Measured, Scale, Shares

    none = np.zeros((0, 2))
    lace = Lace(
        name="any",
        length_mm=length,
        width_mm=Measured(width, sigma),
        outline_mm=np.array([(0, 0), (u, 1), (-u, 1 / 3)]),
        lower=LaceEdge("lower", False, none, none),
        upper=LaceEdge("upper", False, none, none),
        repeat=None,
        motifs=(),
        beads=(),
        shares=Shares(1, 0, 0),
        scale=Scale(8.0, relative, "by hand"),
    )
    folder = tmp_path_factory.mktemp("lace")
    write_lace(folder / "a.json", lace)
    found, _ = read_lace_file(folder / "a.json")
    assert_same(found, lace)
    write_lace(folder / "b.json", found)
    assert (folder / "a.json").read_bytes() == (folder / "b.json").read_bytes()


@settings(max_examples=80, deadline=None)
@given(data=st.data())
def test_no_damage_to_a_file_breaks_the_reader(tmp_path_factory, data) -> None:
    target = scoop_neckline(radius_mm=20, straight_mm=0)
    path = tmp_path_factory.mktemp("edge") / "edge.json"
    write_target(path, target)
    text = path.read_text()
    at = data.draw(st.integers(0, len(text) - 1))
    new = data.draw(st.text(alphabet='{}[]",:0123456789.eE-+nulltrue x', max_size=3))
    path.write_text(text[:at] + new + text[at + data.draw(st.integers(0, 3)) :])
    try:
        read_target(path)
    except LacelayError as refusal:
        said = str(refusal)
        assert str(path) in said
