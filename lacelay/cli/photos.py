"""The verbs about photos: read one, render one, print what tells its scale."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from lacelay.cli.options import FILE, Progress, scale_options
from lacelay.units import parse_length_mm


@click.command(short_help="Read a photo of lace.")
@click.argument("photos", type=FILE, nargs=-1, required=True, metavar="PHOTO...")
@scale_options
@click.option("--name", help="What the lace is called; the photo's name if left out.")
@click.option(
    "--piece",
    type=click.IntRange(1),
    default=1,
    show_default=True,
    help="Which lace, where several lie in the photo; 1 is the largest.",
)
@click.option(
    "--corrections",
    type=FILE,
    multiple=True,
    help="A file of corrections of the photo; with several photos one for each, in order.",
)
@click.option(
    "--overlap",
    metavar="LENGTH",
    multiple=True,
    help="With several photos: about how much lace a photo shares with the next one.",
)
@click.option(
    "--tape",
    metavar='"LENGTH / COUNT"',
    help='A tape along several repeats, where one photo cannot hold two: "3.06 m / 5".',
)
@click.option(
    "--repeat-at",
    metavar='"X,Y X,Y"',
    help="With --tape: two points of the photo, one repeat apart, in pixels.",
)
@click.option("--json", "json_file", type=FILE, help="Write all that was read to this file.")
@click.option(
    "--picture",
    "picture_file",
    type=FILE,
    help="Write the photo with scale, scallops, repeat and motifs drawn on it (.jpg, .png).",
)
@click.option("--inches", is_flag=True, help="Tell lengths in inches.")
def read(
    photos: tuple[Path, ...],
    name: str | None,
    piece: int,
    corrections: tuple[Path, ...],
    overlap: tuple[str, ...],
    tape: str | None,
    repeat_at: str | None,
    json_file: Path | None,
    picture_file: Path | None,
    inches: bool,
    **scale: Any,
) -> None:
    """Read a photo of lace: its size, edges, scallops, repeat, motifs and beads.

    Lay the lace flat and straight, right side up, on a cutting mat of another colour, with
    some of the mat's grid in sight on all sides, and take the photo from right above.
    Without a grid, a sheet of A4 or Letter, a bank card, a ruler or the sheet that
    `lacelay target-sheet` prints, laid beside it, tells how large the photo is.

    Several photos are joined to one lace: take them along its length, from left to right,
    each showing a good part of the one before.
    """
    from lacelay import workflow
    from lacelay.lace_story import lace_lines

    progress = Progress()
    told = None if tape is None else workflow.read_tape(tape)
    if len(photos) > 1:
        if picture_file is not None or repeat_at is not None or piece > 1:
            raise click.UsageError("--picture, --repeat-at and --piece belong to a single photo.")
        found = workflow.read_joined(
            photos,
            scale=workflow.read_scale(**scale),
            name=name,
            corrections_files=corrections,
            overlaps_mm=[parse_length_mm(length) for length in overlap],
            tape=told,
            json_file=json_file,
            progress=progress,
        )
    else:
        if len(corrections) > 1 or overlap:
            raise click.UsageError(
                "One photo takes one file of corrections, and --overlap belongs to several."
            )
        found = workflow.read(
            photos[0],
            scale=workflow.read_scale(**scale),
            name=name,
            piece=piece,
            corrections_file=corrections[0] if corrections else None,
            tape=told,
            repeat_at_px=None if repeat_at is None else workflow.read_marks(repeat_at),
            json_file=json_file,
            picture_file=picture_file,
            progress=progress,
        )
    progress.done()
    for note in found.notes:
        click.echo(f"{note.text} {note.remedy}".rstrip())
    for line in lace_lines(found.lace, inches=inches):
        click.echo(line)


@click.command(short_help="Make a photo of an invented lace.")
@click.option("--family", required=True, metavar="NAME", help="Kind of lace: sprays, guipure ...")
@click.option(
    "--seed", required=True, type=click.IntRange(0), help="The same seed, the same photo."
)
@click.option("--out", type=FILE, help="The photo (.jpg, .png); FAMILY-SEED.jpg if left out.")
@click.option("--truth", type=FILE, help="Write all that is true of it to this file.")
@click.option(
    "--size",
    type=(click.IntRange(400, 12000), click.IntRange(400, 12000)),
    default=(4000, 3000),
    show_default=True,
    metavar="WIDTH HEIGHT",
    help="In pixels.",
)
def render(
    family: str, seed: int, out: Path | None, truth: Path | None, size: tuple[int, int]
) -> None:
    """Make a photo of an invented lace on a cutting mat, and tell what is true of it."""
    from lacelay import workflow

    file = out or Path(f"{family}-{seed}.jpg")
    workflow.render(family, seed, out=file, truth=truth, size_px=size)
    click.echo(f"The photo is in {file}")


@click.command(name="target-sheet", short_help="Print a sheet that tells a photo's size.")
@click.option(
    "--paper",
    type=click.Choice(["a4", "letter"]),
    default="a4",
    show_default=True,
    help="The paper in your printer.",
)
@click.option("--out", type=FILE, help="The PDF; target-sheet.pdf if left out.")
def target_sheet(paper: Any, out: Path | None) -> None:
    """Make a sheet to print once and lay beside the lace in every photo.

    It tells the photo's size and the camera's slant better than a ruler does. Print it
    without scaling ("actual size") and measure its bar with your own ruler: 100 mm.
    """
    from lacelay import workflow

    file = out or Path("target-sheet.pdf")
    workflow.target_sheet(file, paper=paper)
    click.echo(f"The sheet is in {file}")
