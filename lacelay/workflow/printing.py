"""Sheets to print that belong to no plan."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from lacelay.files.disk import write_file

if TYPE_CHECKING:
    from lacelay.model.target_board import TargetPaper


def target_sheet(out: Path, *, paper: TargetPaper = "a4") -> None:
    """Write the target sheet at true size, as PDF: laid beside the lace it tells the scale."""
    from lacelay.drawing.target_sheet import make_target_sheet

    write_file(out, make_target_sheet(paper))
