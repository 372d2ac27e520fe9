"""The demonstration: what fails is told, what does not fail is all there."""

from pathlib import Path

import numpy as np
import pytest

from lacelay import cli, workflow
from lacelay.demonstration import SAMPLES, Case, demonstrate
from lacelay.errors import MissingFileError
from lacelay.files.photos import open_photo, save_png
from lacelay.files.records import read_lace_file, read_plan


def test_photos_that_cannot_be_read_are_told_and_do_not_stop_the_others(tmp_path, capsys) -> None:
    photos = tmp_path / "her photos"
    photos.mkdir()
    save_png(photos / "a_plain_mat.png", np.full((400, 600, 3), 90, np.uint8))
    (photos / "b_no_photo.jpg").write_text("a shopping list")
    (photos / "notes.txt").write_text("not looked at")
    with pytest.raises(SystemExit) as end:
        cli.main(["demo", "--photos", str(photos), "--out", str(tmp_path / "results")])
    assert end.value.code == 1
    said = capsys.readouterr().out
    assert "2 photos in" in said
    assert "b no photo:" in said
    assert "is not a photo" in said
    assert "lacelay itself failed" not in said
    page = (tmp_path / "results" / "index.html").read_text()
    assert "a plain mat" in page
    assert "b no photo" in page


def test_a_mistake_of_ours_is_a_case_too(tmp_path, capsys) -> None:
    from lacelay.demonstration import _failed

    case = _failed("photo", "bodice-top", KeyError("left"))
    assert isinstance(case, Case)
    assert case.problem == "lacelay itself failed here (KeyError: 'left')."
    assert "KeyError" in capsys.readouterr().err


def test_a_plan_that_cannot_be_measured_again_does_not_hold(tmp_path, monkeypatch) -> None:
    from lacelay.demonstration import _measured_again

    def fail(plan_file: Path) -> None:
        raise ZeroDivisionError("no width")

    monkeypatch.setattr(workflow, "check", fail)
    (finding,) = _measured_again(tmp_path / "plan.json")
    assert finding == "it could not be measured again (ZeroDivisionError: no width)"


def test_samples_are_found_in_the_checkout() -> None:
    photos = [path for path in SAMPLES.iterdir() if path.suffix == ".jpg"]
    assert len(photos) >= 4
    assert sum(path.stat().st_size for path in photos) < 12e6


@pytest.mark.slow
def test_a_sample_goes_all_the_way(tmp_path: Path) -> None:
    photo = SAMPLES / "corded_galloon.jpg"
    steps: list[str] = []
    source = workflow.read(
        photo,
        json_file=tmp_path / "lace.json",
        picture_file=tmp_path / "reading.jpg",
        progress=lambda step, share: steps.append(step),
    )
    assert len(set(steps)) > 5
    assert open_photo(tmp_path / "reading.jpg").shape[2] == 3
    kept, picture = read_lace_file(tmp_path / "lace.json")
    assert picture is not None
    assert np.array_equal(picture.rgba, source.picture.rgba)
    assert kept.lower.count == source.lace.lower.count
    edge = workflow.find_edge(workflow.EdgeRequest("circular-hem"))
    laid = workflow.lay(source, edge, out=tmp_path / "plan")
    names = {path.name for path in laid.files}
    assert names == {
        *("plan.json", "lace.json", "reading.png", "garment.png", "garment-marked.png"),
        *("cutting-map.png", "report.pdf", "sheet.pdf"),
    }
    for path in laid.files:
        assert path.stat().st_size > 1000, path
    plan, seen = read_plan(tmp_path / "plan" / "plan.json")
    assert np.array_equal(seen.rgba, source.picture.rgba)
    assert len(plan.cuts) == len(laid.plan.cuts)
    assert workflow.check(tmp_path / "plan" / "plan.json") == ()
    assert laid.lines[0].startswith("middle of the hem to ")


def test_a_folder_that_is_not_there_is_told(tmp_path) -> None:
    with pytest.raises(MissingFileError, match="There is no folder"):
        demonstrate(tmp_path, tmp_path / "none", tell=print)
