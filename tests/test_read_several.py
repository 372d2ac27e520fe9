"""`lacelay read` with several photos, corrections and a tape, as a user calls it."""

from __future__ import annotations

from pathlib import Path

import cv2
import pytest

from lacelay import cli
from lacelay.files.records import read_lace_file

SAMPLE = Path(__file__).parent.parent / "sample_images" / "corded_galloon.jpg"


@pytest.fixture(scope="module")
def halves(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("halves")
    photo = cv2.imread(str(SAMPLE))
    assert photo is not None
    photo = cv2.resize(photo, None, fx=0.6, fy=0.6, interpolation=cv2.INTER_AREA)
    width = photo.shape[1]
    parts = (photo[:, : int(0.66 * width)], photo[:, int(0.3 * width) :])
    files = (folder / "left.png", folder / "right.png")
    for file, part in zip(files, parts, strict=True):
        cv2.imwrite(str(file), part)
    return files


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    """Exit code, standard output and standard error of one command."""
    with pytest.raises(SystemExit) as end:
        cli.main(["read", *(str(each) for each in arguments)])
    captured = capsys.readouterr()
    return int(end.value.code or 0), captured.out, captured.err


def test_two_photos_of_one_length_make_one_record(
    capsys: pytest.CaptureFixture[str], halves: tuple[Path, Path], tmp_path: Path
) -> None:
    record = tmp_path / "joined.json"
    code, _, error = run(capsys, *halves, "--json", record)
    assert code == 0, error
    lace, _ = read_lace_file(record)
    # The whole photo gives 389 mm and nine scallops on both edges.
    assert lace.length_mm == pytest.approx(389, abs=4)
    assert (lace.lower.count, lace.upper.count) == (9, 9)
    assert len(lace.parts) == 2


def test_a_tape_completes_one_photo(
    capsys: pytest.CaptureFixture[str], halves: tuple[Path, Path]
) -> None:
    code, out, error = run(capsys, halves[0], "--tape", "47.1 cm / 3")
    assert code == 0, error
    assert "Repeat: 15.7 cm" in out


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--tape", "55cm"], "length over a number of repeats"),
        (["--tape", "55cm / 3", "--repeat-at", "12"], "not two points"),
        (["--overlap", "5cm"], "belongs to several"),
    ],
)
def test_what_cannot_be_read_is_told_in_one_line(
    capsys: pytest.CaptureFixture[str], halves: tuple[Path, Path], more: list[str], said: str
) -> None:
    code, _, error = run(capsys, halves[0], *more)
    assert code == 2
    assert said in error
    assert len(error.strip().splitlines()) == 1
