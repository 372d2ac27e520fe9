"""A lace joined from photos, and one with flaws, to disk and back."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
from jsonschema import Draft202012Validator

from lacelay.files.json_schema import FOLDER
from lacelay.files.records import read_lace_file, write_lace
from lacelay.model.lace import PhotoPart


def test_parts_and_flaws_come_back(tmp_path, lace) -> None:
    flaw = np.array([(20.0, 30.0), (26.0, 30.0), (23.0, 35.0)])
    parts = (
        PhotoPart("left.jpg", lace.photo, 0.0, 110.5),
        PhotoPart("right.jpg", replace(lace.photo, focal_px=3000.0), 110.5, 200.0),
    )
    made = replace(lace, photo=None, parts=parts, flaws_mm=(flaw,))
    path = tmp_path / "lace.json"
    write_lace(path, made)
    found, _ = read_lace_file(path)
    np.testing.assert_allclose(found.flaws_mm[0], flaw)
    assert [(p.name, p.from_mm, p.to_mm) for p in found.parts] == [
        ("left.jpg", 0.0, 110.5),
        ("right.jpg", 110.5, 200.0),
    ]
    assert found.parts[1].photo.focal_px == 3000.0
    spots = np.array([[10.0, 20.0], [150.0, 80.0]])
    for before, after in zip(parts, found.parts, strict=True):
        np.testing.assert_allclose(
            after.photo.lace_to_photo(spots), before.photo.lace_to_photo(spots), atol=1e-3
        )
    schema = json.loads((FOLDER / "lacelay-lace.schema.json").read_text())
    assert list(Draft202012Validator(schema).iter_errors(json.loads(path.read_text()))) == []


def test_a_record_from_before_there_were_parts_is_read(tmp_path, lace) -> None:
    path = tmp_path / "lace.json"
    write_lace(path, lace)
    stored = json.loads(path.read_text())
    del stored["lace"]["parts"], stored["lace"]["flaws"]
    path.write_text(json.dumps(stored))
    found, _ = read_lace_file(path)
    assert (found.parts, found.flaws_mm) == ((), ())
