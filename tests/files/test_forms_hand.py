"""What she asks comes back whole from its file, and the file says what is wrong with it."""

import json
from dataclasses import fields, replace

import pytest
from jsonschema import Draft202012Validator

from lacelay.errors import FileFormError, MissingFileError
from lacelay.files.forms_hand import read_hand, write_hand
from lacelay.files.json_schema import FOLDER
from lacelay.files.records import read_plan
from lacelay.model.hand import (
    KINDS,
    AtMark,
    CutHere,
    Footing,
    Hand,
    LaidUpTo,
    LockedCut,
    LockedRun,
    NoCut,
)

LINE = ((12.0, 50.0), (14.5, 30.25), (13.0, 4.0))
CUT = LockedCut("h1", 60.5, 133.25, LINE)
END = LockedCut("h2", 90.0, 162.75, LINE, through=True, at_valley=False, cut=False)
STRETCH = LockedRun(
    "h2",
    (60.5, 90.0),
    (133.25, 162.75),
    ((0.8, -0.6), (0.6, 0.8)),
    (10.5, -3.0),
    0.00123456789,
    (None, END),
)
FOOTING = Footing("upper", 72.75, -2.0, 2.0, 478.9, ((0.0, 60.0), (40.0, 61.5)), "a lace")
MADE = Hand(
    (
        CUT,
        STRETCH,
        NoCut("h3", (100.0, 120.0)),
        CutHere("h4", 200.0, 7.5),
        AtMark("h5", "tip", 239.4, 2.0, "bust point"),
        AtMark("h6", "valley", 250.0),
        LaidUpTo("h7", "end", 551.65, LINE, through=True),
    ),
    frozenset({"h4"}),
    FOOTING,
)


def test_it_comes_back_whole_and_as_its_schema_says(tmp_path) -> None:
    path = tmp_path / "mine.json"
    write_hand(path, MADE)
    assert read_hand(path) == MADE
    assert {type(each) for each in MADE.items} == set(KINDS)
    schema = json.loads((FOLDER / "lacelay-hand.schema.json").read_text())
    assert list(Draft202012Validator(schema).iter_errors(json.loads(path.read_text()))) == []
    before = path.read_bytes()
    write_hand(path, read_hand(path))
    assert path.read_bytes() == before


def test_nothing_asked_is_a_file_too(tmp_path) -> None:
    path = tmp_path / "mine.json"
    write_hand(path, Hand())
    assert read_hand(path) == Hand()


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__)
def test_every_kind_is_in_the_schema(kind) -> None:
    schema = json.loads((FOLDER / "lacelay-hand.schema.json").read_text())
    form = schema["$defs"][f"{kind.__name__}Form"]
    assert form["properties"]["kind"] == {"enum": [kind.kind]}
    assert set(form["properties"]) == {"kind", *(each.name for each in fields(kind))}
    assert form["additionalProperties"] is False


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"version": 1', '"version": 2', "version 2"),
        ('"kind": "no cut"', '"kind": "cut twice"', "cut twice"),
        ('"within_mm": 7.5', '"within_mm": 0.0', "h4 asks for a cut within 0 mm of a place"),
        ('"edge_mm": [100.0,120.0]', '"edge_mm": [120.0,100.0]', "h3 is of no stretch"),
        ('"id": "h4"', '"id": "h3"', "called h3"),
        ('"undone": ["h4"]', '"undone": ["h9"]', "called h9"),
        ('"side": "upper"', '"side": "left"', "side"),
        ('"format": "lacelay-hand"', '"format": "lacelay-plan"', "a plan, not what is asked"),
    ],
)
def test_what_is_wrong_with_a_file_is_said(tmp_path, old, new, said) -> None:
    path = tmp_path / "mine.json"
    write_hand(path, MADE)
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))
    with pytest.raises(FileFormError) as refusal:
        read_hand(path)
    assert said in str(refusal.value)


def test_a_lock_needs_to_know_how_the_border_lay(tmp_path) -> None:
    path = tmp_path / "mine.json"
    write_hand(path, replace(MADE, items=MADE.items[2:-1]))
    bare = json.loads(path.read_text())
    write_hand(path, MADE)
    whole = json.loads(path.read_text())
    whole["footing"] = None
    path.write_text(json.dumps(whole))
    with pytest.raises(FileFormError, match="not how the border lay"):
        read_hand(path)
    bare["footing"] = None
    path.write_text(json.dumps(bare))
    assert read_hand(path).footing is None


def test_other_files_are_told_apart(tmp_path) -> None:
    with pytest.raises(MissingFileError):
        read_hand(tmp_path / "none.json")
    path = tmp_path / "mine.json"
    write_hand(path, MADE)
    with pytest.raises(FileFormError, match="is what is asked of a plan, not a plan"):
        read_plan(path)
