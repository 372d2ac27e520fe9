"""The font that is shipped, and what it covers."""

from __future__ import annotations

from pathlib import Path

import pytest

from lacelay.drawing import report, sheet
from lacelay.drawing.lettering import MISSING, covered, font_path, printable
from lacelay.drawing.page_frame import CHECK_PRINTER


def test_the_fonts_and_their_licence_are_shipped() -> None:
    for bold in (False, True):
        assert Path(font_path(bold=bold)).is_file()
    licence = Path(font_path()).parent / "LICENSE.txt"
    assert "Bitstream" in licence.read_text(encoding="utf-8")


@pytest.mark.parametrize("bold", [False, True])
def test_glyphs_that_a_maker_writes_are_covered(bold: bool) -> None:
    needed = "½¼¾⅛⅜⅝⅞″′±×·–—°²µ€£§éèàçñßøåœŁžščřőűіїєґ Бязь ΑΩ" + MISSING
    assert {ord(c) for c in needed} <= covered(bold=bold)


def test_missing_glyphs_are_shown_as_missing() -> None:
    assert printable("a\u4e00b\nc  d") == f"a{MISSING}b c d"
    assert printable("e\u0301") == "é"


def test_all_fixed_words_are_covered() -> None:
    for text in (*report.CAUTIONS, *CHECK_PRINTER, str(sheet.make_sheet.__doc__)):
        assert MISSING not in printable(text)
