"""Corrections to disk and back, bound to their photo."""

from __future__ import annotations

import json
from dataclasses import fields
from typing import get_type_hints

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from lacelay.errors import CorrectionError, FileFormError, LacelayError, MissingFileError
from lacelay.files.forms_corrections import photo_print, read_corrections, write_corrections
from lacelay.files.json_schema import FOLDER
from lacelay.files.records import read_lace_file
from lacelay.model import corrections as told
from lacelay.model.corrections import KINDS, Correction, Corrections, PhotoPrint
from lacelay.model.lace import FRIEZE_GROUPS

PRINT = PhotoPrint("0f" * 32, (4000, 3000))

_px = st.tuples(st.integers(0, 3_999_000), st.integers(0, 2_999_000)).map(
    lambda at: (at[0] / 1000, at[1] / 1000)
)
_by_type = {
    tuple[float, float]: _px,
    tuple[tuple[float, float], ...]: st.lists(_px, min_size=3, max_size=5).map(tuple),
    float: st.floats(0.5, 900).map(lambda number: round(number, 9)),
    float | None: st.none() | st.floats(0.5, 90).map(lambda number: round(number, 9)),
    int: st.integers(1, 40),
    str: st.text(max_size=20),
    str | None: st.none() | st.sampled_from(FRIEZE_GROUPS),
    bool: st.booleans(),
}


@st.composite
def corrections(draw) -> Corrections:
    made: list[Correction] = []
    for k, kind in enumerate(draw(st.lists(st.sampled_from(KINDS), max_size=6))):
        hints = get_type_hints(kind)
        values = {
            each.name: draw(_by_type[hints[each.name]])
            for each in fields(kind)
            if each.name != "id"
        }
        try:
            made.append(kind(id=f"c{k + 1}", **values))
        except CorrectionError:
            continue  # drawn crossing itself, or with points too near
    undone = draw(st.sets(st.sampled_from([each.id for each in made]))) if made else set()
    return Corrections(PRINT, tuple(made), frozenset(undone))


@settings(max_examples=60, deadline=None)
@given(made=corrections())
def test_corrections_come_back_whole_and_as_their_schema_says(tmp_path_factory, made) -> None:
    path = tmp_path_factory.mktemp("c") / "photo.corrections.json"
    write_corrections(path, made, photo_file="photo.jpg")
    assert read_corrections(path, PRINT) == made
    schema = json.loads((FOLDER / "lacelay-corrections.schema.json").read_text())
    assert list(Draft202012Validator(schema).iter_errors(json.loads(path.read_text()))) == []
    before = path.read_bytes()
    write_corrections(path, read_corrections(path, PRINT), photo_file="photo.jpg")
    assert path.read_bytes() == before


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__)
def test_every_kind_is_in_the_schema(kind) -> None:
    schema = json.loads((FOLDER / "lacelay-corrections.schema.json").read_text())
    form = schema["$defs"][f"{kind.__name__}Form"]
    assert form["properties"]["kind"] == {"enum": [kind.kind]}
    assert set(form["properties"]) == {"kind", *(each.name for each in fields(kind))}
    assert form["additionalProperties"] is False


def _written(tmp_path, made: Corrections | None = None):
    path = tmp_path / "photo.corrections.json"
    struck = told.MotifStruck("c1", (100.25, 200.5))
    write_corrections(path, made or Corrections(PRINT, (struck,)), photo_file="photo.jpg")
    return path


def test_the_photo_is_told_by_its_bytes(tmp_path) -> None:
    first, second = tmp_path / "a.jpg", tmp_path / "b.jpg"
    first.write_bytes(b"one photo")
    second.write_bytes(b"one photo")
    assert photo_print(first, (4000, 3000)) == photo_print(second, (4000, 3000))
    # SHA-256 of "abc", FIPS 180-4, example values published by NIST.
    first.write_bytes(b"abc")
    assert photo_print(first, (1, 1)).sha256 == (
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )
    with pytest.raises(MissingFileError):
        photo_print(tmp_path / "none.jpg", (1, 1))


def test_corrections_of_another_photo_are_refused(tmp_path) -> None:
    path = _written(tmp_path)
    for other in (PhotoPrint("1f" * 32, (4000, 3000)), PhotoPrint("0f" * 32, (3000, 4000))):
        with pytest.raises(FileFormError, match=r"another photo \(photo\.jpg\)") as refusal:
            read_corrections(path, other)
        assert "Give the photo file they were made for" in refusal.value.remedy


def test_another_kind_of_file_is_named(tmp_path) -> None:
    path = _written(tmp_path)
    with pytest.raises(FileFormError, match="the corrections of a photo, not a lace record"):
        read_lace_file(path)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"version": 1', '"version": 2', "version 2"),
        ('"kind": "motif struck out"', '"kind": "motif eaten"', "motif eaten"),
        ('"at_px": [100.25,200.5]', '"at_px": [100.25]', "at_px"),
        ('"at_px": [100.25,200.5]', '"at_px": [100.25,3200.5]', "outside the photo"),
        ('"id": "c1"', '"id": ""', "id"),
        ('"undone": []', '"undone": ["c9"]', "does not exist: c9"),
        ('"undone": []', '"undone": [], "more": 1', "more"),
    ],
)
def test_what_is_wrong_in_a_file_is_told(tmp_path, old, new, said) -> None:
    path = _written(tmp_path)
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))
    with pytest.raises(FileFormError, match=said) as refusal:
        read_corrections(path, PRINT)
    assert str(path) in str(refusal.value)


def test_a_crossing_outline_in_a_file_is_refused(tmp_path) -> None:
    square = ((0.0, 0.0), (90.0, 0.0), (90.0, 90.0), (0.0, 90.0))
    path = _written(tmp_path, Corrections(PRINT, (told.MotifDrawn("c1", square),)))
    crossed = path.read_text().replace("[90.0,90.0],[0.0,90.0]", "[0.0,90.0],[90.0,70.0]")
    path.write_text(crossed)
    with pytest.raises(FileFormError, match="crossing itself"):
        read_corrections(path, PRINT)


@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_no_damage_to_a_file_breaks_the_reader(tmp_path_factory, data) -> None:
    path = _written(tmp_path_factory.mktemp("c"))
    text = path.read_text()
    at = data.draw(st.integers(0, len(text) - 1))
    new = data.draw(st.text(alphabet='{}[]",:0123456789.eE-+nulltrue x', max_size=3))
    path.write_text(text[:at] + new + text[at + data.draw(st.integers(0, 3)) :])
    said = str(path)
    try:
        read_corrections(path, PRINT)
    except LacelayError as refusal:
        said = str(refusal)
    assert str(path) in said


def test_nothing_is_left_behind_where_writing_fails(tmp_path) -> None:
    path = _written(tmp_path)
    before = path.read_bytes()
    bad = Corrections(PRINT, (told.BeadAdded("c1", (1.0, 1.0), float(np.float64(3.0))),))
    write_corrections(path, bad)
    assert path.read_bytes() != before
    assert [each.name for each in tmp_path.iterdir()] == [path.name]
