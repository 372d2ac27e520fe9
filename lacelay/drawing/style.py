"""How each role looks: on pictures, over a photo; and on paper, under net.

On pictures every line is light with a dark casing, so that it reads over white lace and
over black. On paper lines are 0.7 to 1 mm, since thin ones vanish under net (common
practice, without a published source). No meaning hangs on colour alone. The hues are those
of Okabe and Ito, "Color Universal Design" (2008), made for colour-blind readers.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

RGB = tuple[int, int, int]
Role = Literal[
    "cloth",
    "edge",
    "run",
    "motif",
    "border line",
    "cut that laps",
    "cut that opens",
    "cut that does both",
    "cut right through",
    "stop",
    "lap",
    "gap",
    "valley",
    "tip",
    "balance mark",
    "balance name",
    "piece number",
    "cut number",
    "cut width",
    "bead",
    "bead in the way",
    "scale",
    "scale name",
    "match mark",
    "match name",
    "repeat",
    "note",
]

ORANGE: RGB = (230, 159, 0)
SKY: RGB = (86, 180, 233)
GREEN: RGB = (0, 158, 115)
YELLOW: RGB = (240, 228, 66)
BLUE: RGB = (0, 114, 178)
RED: RGB = (213, 94, 0)
ROSE: RGB = (204, 121, 167)
#: Kinds of motif, in turn: all light enough to stand on a dark casing.
KIND_HUES: tuple[RGB, ...] = (SKY, ORANGE, (64, 214, 170), YELLOW, (238, 160, 203), (255, 140, 80))
INK: RGB = (28, 30, 38)
PAPER_GREY: RGB = (150, 150, 156)
CHALK: RGB = (252, 250, 244)
SOFT_GROUND: RGB = (243, 240, 234)
#: Behind a pale lace, so that its scallops show past the cloth.
DUSK_GROUND: RGB = (176, 170, 164)
#: Ground of a sheet for white lace: dark enough to show it, light enough to read ink on.
SHEET_TINT: RGB = (205, 219, 232)


@dataclass(frozen=True)
class Style:
    """Look of one role; lengths in mm of paper, or in the picture's own unit.

    `casing` is painted under `line`, `width + 2 * casing_width` wide. `ring` draws a
    circle about a label. `arm` is half the size of a cross.
    """

    line: RGB | None = None
    width: float = 0.5
    casing: RGB | None = None
    casing_width: float = 0.3
    dash: tuple[float, ...] = ()
    fill: RGB | None = None
    fill_alpha: float = 1.0
    hatch: RGB | None = None
    hatch_step: float = 2.0
    text: RGB = INK
    size: float = 3.5
    bold: bool = False
    halo: RGB | None = None
    ring: RGB | None = None
    arm: float = 2.0


Styles = Mapping[Role, Style]

_CUT_DASH: dict[Role, tuple[float, ...]] = {
    "cut that laps": (),
    "cut that opens": (4.0, 2.2),
    "cut that does both": (7.0, 1.8, 1.8, 1.8),
    "cut right through": (1.6, 1.4),
}


def _cased(line: RGB, width: float, *, casing_width: float = 0.35) -> Style:
    """Return a light line with a dark casing."""
    return Style(line=line, width=width, casing=INK, casing_width=casing_width)


def _haloed(size: float, *, bold: bool = False) -> Style:
    return Style(size=size, bold=bold, text=CHALK, halo=INK)


def _pictures() -> dict[Role, Style]:
    styles: dict[Role, Style] = {
        "cloth": Style(line=(120, 118, 116), width=0.3),
        "edge": _cased(YELLOW, 0.6),
        "run": Style(),
        "motif": _cased(CHALK, 0.3, casing_width=0.2),
        "border line": replace(_cased(CHALK, 0.7), dash=(6.0, 2.0)),
        "stop": _cased(CHALK, 0.8),
        "lap": replace(_cased(CHALK, 0.35, casing_width=0.15), hatch=CHALK, hatch_step=1.6),
        "gap": replace(_cased(YELLOW, 0.5), dash=(1.6, 1.0)),
        "valley": replace(_cased(CHALK, 0.5), arm=1.5),
        "tip": _cased(CHALK, 0.5),
        "balance mark": _cased(ORANGE, 0.9),
        "balance name": _haloed(4.0, bold=True),
        "piece number": _haloed(4.2, bold=True),
        "cut number": Style(size=3.4, bold=True, text=INK, fill=CHALK, ring=INK),
        "cut width": _haloed(3.6, bold=True),
        "bead": _cased(ROSE, 0.3, casing_width=0.12),
        "bead in the way": Style(line=RED, width=0.7, casing=CHALK, casing_width=0.3),
        "scale": _cased(CHALK, 0.9),
        "scale name": _haloed(4.0),
        "match mark": Style(line=CHALK, width=0.5),
        "match name": _haloed(3.5),
        "repeat": Style(fill=SKY, fill_alpha=0.17),
        "note": _haloed(4.0),
    }
    hues: dict[Role, RGB] = {
        "cut that laps": CHALK,
        "cut that opens": YELLOW,
        "cut that does both": ORANGE,
        "cut right through": (255, 140, 80),
    }
    for role, hue in hues.items():
        styles[role] = replace(_cased(hue, 1.0), dash=_CUT_DASH[role])
    return styles


def _paper() -> dict[Role, Style]:
    styles: dict[Role, Style] = {
        "cloth": Style(line=PAPER_GREY, width=0.4),
        "edge": Style(line=INK, width=1.0, dash=(8.0, 2.0, 1.0, 2.0)),
        "run": Style(line=(96, 96, 104), width=0.7),
        "motif": Style(line=(168, 168, 174), width=0.7),
        "border line": Style(line=INK, width=0.8, dash=(9.0, 3.0)),
        "stop": Style(line=INK, width=1.0),
        "lap": Style(line=INK, width=0.35, hatch=(110, 110, 118), hatch_step=2.2),
        "gap": Style(fill=(228, 228, 232)),
        "valley": Style(line=INK, width=0.7, arm=2.5),
        "tip": Style(line=INK, width=0.7, arm=1.5),
        "balance mark": Style(line=INK, width=1.0),
        "balance name": Style(size=4.2, bold=True),
        "piece number": Style(size=5.0, bold=True),
        "cut number": Style(size=3.8, bold=True, fill=(255, 255, 255), ring=INK),
        "cut width": Style(size=3.5),
        "bead": Style(line=PAPER_GREY, width=0.4),
        "bead in the way": Style(line=INK, width=0.7),
        "scale": Style(line=INK, width=0.5),
        "scale name": Style(size=3.2),
        "match mark": Style(line=INK, width=0.3, arm=4.0),
        "match name": Style(size=3.2, bold=True),
        "repeat": Style(fill=(225, 225, 230)),
        "note": Style(size=3.5),
    }
    for role, dash in _CUT_DASH.items():
        styles[role] = Style(line=INK, width=1.0, dash=dash)
    return styles


PICTURE_STYLES: Styles = _pictures()
PAPER_STYLES: Styles = _paper()
