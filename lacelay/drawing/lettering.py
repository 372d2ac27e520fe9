"""The letters that every picture and page is set in: DejaVu Sans, shipped beside this file.

A character that the font lacks would print as an empty box without a warning, so text
goes through `printable` first.
"""

from __future__ import annotations

import unicodedata
from functools import lru_cache
from importlib.resources import files

REGULAR = "DejaVuSans"
BOLD = "DejaVuSans-Bold"
#: Stands for a character that the font lacks; the font has it.
MISSING = "□"


def font_path(*, bold: bool = False) -> str:
    """Where the font file lies in the installed package."""
    return str(files("lacelay.drawing") / "fonts" / f"{BOLD if bold else REGULAR}.ttf")


@lru_cache(maxsize=2)
def covered(*, bold: bool = False) -> frozenset[int]:
    """Code points that the font has a glyph for."""
    from reportlab.pdfbase.ttfonts import TTFontFile

    return frozenset(TTFontFile(font_path(bold=bold)).charToGlyph)


def printable(text: str, *, bold: bool = False) -> str:
    """Text with accents joined, line ends dropped and every missing glyph replaced.

    Examples
    --------
    >>> printable("lace né 3 ¼ in → Ω"), printable("蕾丝")
    ('lace né 3 ¼ in → Ω', '□□')
    """
    joined = unicodedata.normalize("NFC", " ".join(text.split()))
    glyphs = covered(bold=bold)
    return "".join(c if ord(c) in glyphs else MISSING for c in joined)
