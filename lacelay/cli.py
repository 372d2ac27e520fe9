"""The command line: words in, words out. No arithmetic and no reading of files here.

Only light modules are imported at the top, so that help comes at once.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, NoReturn, TypeVar

import click

from lacelay import __version__
from lacelay.errors import LacelayError, UnitError
from lacelay.units import parse_length_mm

Command = TypeVar("Command", bound=Callable[..., Any])
FILE = click.Path(path_type=Path)
#: Nothing is said of work that takes less than this.
_QUIET_SECONDS = 1.0


def _length(ctx: click.Context, param: click.Parameter, value: str | None) -> float | None:
    """Read a length as she writes it, in mm inside."""
    return None if value is None else parse_length_mm(value)


def _settings(
    ctx: click.Context, param: click.Parameter, values: tuple[str, ...]
) -> dict[str, str]:
    """Read NAME=VALUE, each name once."""
    read: dict[str, str] = {}
    for value in values:
        name, equals, text = (part.strip() for part in value.partition("="))
        if not (equals and name and text):
            raise UnitError(f"'{value}' sets nothing.", "Write it like lobe-radius=85mm.")
        if name in read:
            raise UnitError(f"'{name}' is set twice.", "Set it once.")
        read[name] = text
    return read


class LayCommand(click.Command):
    """`lay`, whose help lists the built-in edges and what can be weighed and limited."""

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Add the tables, which take a moment to load."""
        from lacelay.model.shapes import SHAPES

        for shape in SHAPES.values():
            with formatter.section(f"{shape.name}: {shape.meaning}"):
                formatter.write_dl(
                    [
                        (each.name, f"{each.meaning} ({each.write(each.default)})")
                        for each in shape.parameters
                    ]
                )
        super().format_epilog(ctx, formatter)


class Progress:
    """Says on standard error what is being done, once it takes longer than a second."""

    def __init__(self) -> None:
        self._began = time.monotonic()
        self._said = ""

    def __call__(self, step: str, share: float) -> None:
        """Take note of a step and the share of it that is done."""
        if share >= 1.0 or time.monotonic() - self._began < _QUIET_SECONDS:
            return
        told = f"{step} ... {share:.0%}"
        if sys.stderr.isatty():
            click.echo(f"\r\033[K{told}", err=True, nl=False)
        elif step != self._said:
            click.echo(f"{step} ...", err=True)
        self._said = step

    def done(self) -> None:
        """End the line that was being rewritten."""
        if self._said and sys.stderr.isatty():
            click.echo("\r\033[K", err=True, nl=False)


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 96})
@click.version_option(__version__, prog_name="lacelay")
def lacelay() -> None:
    """Plan how straight scalloped lace is cut and laid along a curved edge, from a photo of it.

    Lengths are written like 12 cm, 4 3/4 in or 35mm. Start with `lacelay demo`, or read a
    photo of your lace lying flat on a cutting mat: `lacelay read my-lace.jpg`.
    """


def scale_options(command: Command) -> Command:
    """Options for how large the photo is; without any, the mat's printed grid is looked for."""
    for option in (
        click.option(
            "--width", metavar="LENGTH", help="The lace's width over all, where you know it."
        ),
        click.option(
            "--two-points",
            metavar='"X,Y X,Y LENGTH"',
            help="Two points of the upright photo, in pixels from its top left corner, and how "
            'far apart they lie: "120,300 2520,310 100mm".',
        ),
        click.option(
            "--grid",
            metavar="LENGTH",
            help="The distance between the mat's printed lines: 1cm, 1in. Found by itself "
            "where it can be told.",
        ),
    ):
        command = option(command)
    return command


@lacelay.command(short_help="Read a photo of lace.")
@click.argument("photo", type=FILE)
@scale_options
@click.option("--name", help="What the lace is called; the photo's name if left out.")
@click.option("--json", "json_file", type=FILE, help="Write all that was read to this file.")
@click.option(
    "--picture",
    "picture_file",
    type=FILE,
    help="Write the photo with scale, scallops, repeat and motifs drawn on it (.jpg, .png).",
)
@click.option("--inches", is_flag=True, help="Tell lengths in inches.")
def read(
    photo: Path,
    grid: str | None,
    two_points: str | None,
    width: str | None,
    name: str | None,
    json_file: Path | None,
    picture_file: Path | None,
    inches: bool,
) -> None:
    """Read a photo of lace: its size, edges, scallops, repeat, motifs and beads.

    Lay the lace flat and straight, right side up, on a cutting mat of another colour, with
    some of the mat's grid in sight on all sides, and take the photo from right above.
    """
    from lacelay import workflow
    from lacelay.lace_story import lace_lines

    progress = Progress()
    found = workflow.read(
        photo,
        scale=workflow.read_scale(grid, two_points, width),
        name=name,
        json_file=json_file,
        picture_file=picture_file,
        progress=progress,
    )
    progress.done()
    for line in lace_lines(found.lace, inches=inches):
        click.echo(line)


@lacelay.command(cls=LayCommand, short_help="Lay a lace along an edge.")
@click.argument("lace", type=FILE)
@click.argument("edge")
@click.option(
    "--set",
    "settings",
    callback=_settings,
    multiple=True,
    metavar="NAME=VALUE",
    help="A measurement of a built-in edge, as listed below: --set lobe-radius=85mm.",
)
@click.option(
    "--covered",
    type=click.Choice(["left", "right"]),
    help="For a drawing: the side of the path to be covered, seen along it as it was drawn.",
)
@click.option(
    "--kind",
    type=click.Choice(["hard", "free"]),
    help="Hard: a bound or boned edge is there. Free: the lace makes the edge, as on a veil.",
)
@click.option(
    "--centre-at",
    metavar="LENGTH",
    help="For a drawing: where the centre front or back lies from the start of the path, or "
    "the word middle.",
)
@click.option(
    "--drawing-width",
    callback=_length,
    metavar="LENGTH",
    help="For a drawing without real units: how wide the whole drawing truly is.",
)
@click.option(
    "--edge",
    "side",
    type=click.Choice(["lower", "upper", "either"]),
    default="either",
    show_default=True,
    help="Which edge of the lace is used.",
)
@click.option(
    "--depth",
    callback=_length,
    metavar="LENGTH",
    help="How deep the border is taken, from the valleys; chosen if left out.",
)
@click.option(
    "--stand",
    callback=_length,
    metavar="LENGTH",
    help="How far the valleys stand past the edge; 2 mm if left out.",
)
@click.option(
    "--centre",
    type=click.Choice(["valley", "tip", "either", "anywhere"]),
    default="either",
    show_default=True,
    help="What lies on the centre front or back.",
)
@click.option(
    "--laying-depth",
    callback=_length,
    metavar="LENGTH",
    help="How far inside the edge the lace keeps its length; chosen if left out.",
)
@click.option(
    "--weigh",
    "weights",
    callback=_settings,
    multiple=True,
    metavar="NAME=MINUTES",
    help="What a thing costs you, in minutes of handwork: --weigh cut=12.",
)
@click.option(
    "--limit",
    "limits",
    callback=_settings,
    multiple=True,
    metavar="NAME=VALUE",
    help="What must not be exceeded: --limit lap=20mm.",
)
@click.option(
    "--shop-increment",
    callback=_length,
    metavar="LENGTH",
    help="What the shop sells by; 25 cm if left out.",
)
@click.option(
    "--spare", metavar="SHARE", help="Kept for mishaps: 15%. The trade's rule if left out."
)
@click.option("--inches", is_flag=True, help="Tell lengths in inches.")
@click.option("--json", "json_file", type=FILE, help="Write the plan to this file.")
@click.option(
    "--out",
    type=FILE,
    help="A folder for the plan with everything: pictures, report, sheets at true size.",
)
@scale_options
def lay(
    lace: Path,
    edge: str,
    settings: dict[str, str],
    covered: Any,
    kind: Any,
    centre_at: str | None,
    drawing_width: float | None,
    side: Any,
    depth: float | None,
    stand: float | None,
    centre: Any,
    laying_depth: float | None,
    weights: dict[str, str],
    limits: dict[str, str],
    shop_increment: float | None,
    spare: str | None,
    inches: bool,
    json_file: Path | None,
    out: Path | None,
    grid: str | None,
    two_points: str | None,
    width: str | None,
) -> None:
    """Lay the LACE (a photo, or what `read --json` wrote) along an EDGE.

    EDGE is a path of a drawing in real units, named as FILE.svg#its-id, or one of the
    built-in edges below. The answer begins with what you can walk with the lace along the
    edge: how many scallops from the centre front to the side seam, what lies at the centre,
    how many cuts. Then: lace eaten up, where it is cut, laps and openings, what stays bare,
    bulk, beads in the way, and the length to buy. Left and right are the wearer's.
    """
    from lacelay import workflow
    from lacelay.model.wishes import Limits, Weights

    progress = Progress()
    request = workflow.EdgeRequest(edge, settings, covered, kind, centre_at, drawing_width)
    target = workflow.find_edge(request)
    weighed = workflow.adjusted(Weights(), weights)
    limited = workflow.adjusted(Limits(), limits)
    wishes = workflow.wishes(
        side=side, centre=centre, depth_mm=depth, stand_mm=stand, laying_depth_mm=laying_depth
    )
    share = None if spare is None else workflow.read_share(spare)
    source = workflow.open_lace(
        lace, scale=workflow.read_scale(grid, two_points, width), progress=progress
    )
    laid = workflow.lay(
        source,
        target,
        wishes=wishes,
        weights=weighed,
        limits=limited,
        increment_mm=workflow.SHOP_INCREMENT_MM if shop_increment is None else shop_increment,
        spare_share=share,
        inches=inches,
        json_file=json_file,
        out=out,
        progress=progress,
    )
    progress.done()
    for line in laid.lines:
        click.echo(line)
    if out is not None:
        click.echo(f"Everything is in {out}")
        if laid.picture is None:
            click.echo("This lace came without its own picture, so there are no pictures of it.")


@lacelay.command(short_help="Measure a plan again.")
@click.argument("plan", type=FILE)
def check(plan: Path) -> None:
    """Measure a PLAN again from its outlines, and say what does not hold.

    Ends with 0 when all holds, and with 1 when something does not.
    """
    from lacelay import workflow

    findings = workflow.check(plan)
    for finding in findings:
        click.echo(f"{finding.rule}: {finding.message}")
    if findings:
        raise click.exceptions.Exit(1)
    click.echo("Everything in this plan holds.")


@lacelay.command(short_help="Make sheets at true size.")
@click.argument("plan", type=FILE)
@click.option("--out", type=FILE, help="The PDF; beside the plan if left out.")
@click.option("--page", type=click.Choice(["A4", "Letter", "A3"]), default="A4", show_default=True)
@click.option("--one-page", is_flag=True, help="One page as large as it needs, not pages to join.")
@click.option("--tinted", is_flag=True, help="A tinted ground, on which white lace can be seen.")
@click.option("--inches", is_flag=True, help="Tell lengths in inches.")
def sheet(
    plan: Path, out: Path | None, page: Any, one_page: bool, tinted: bool, inches: bool
) -> None:
    """Make the sheets of a PLAN at true size: cut lines, the edge, and a bar to measure.

    Print them without scaling ("actual size") and measure the printed bar with your own
    ruler before you cut.
    """
    from lacelay import workflow

    file = out or plan.with_suffix(".sheet.pdf")
    workflow.sheet(plan, file, page=page, tiled=not one_page, tinted=tinted, inches=inches)
    click.echo(f"The sheets are in {file}")


@lacelay.command(short_help="Make a photo of an invented lace.")
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


@lacelay.command(short_help="Read and lay the samples, and show it all.")
@click.option("--out", type=FILE, default=Path("results"), show_default=True)
@click.option(
    "--photos", type=FILE, help="A folder of your own lace photos, in place of the samples."
)
@click.option("--grid", metavar="LENGTH", help="The distance between the lines of your mat.")
def demo(out: Path, photos: Path | None, grid: str | None) -> None:
    """Read the sample photos, lay each lace along our own invented edges, show it all.

    The folder holds index.html to begin with, and for each case the photo with all that was
    read, the garment, the cutting map, a report, sheets and the plan.
    """
    from lacelay.demonstration import demonstrate

    outcome = demonstrate(out, photos, grid=grid, tell=click.echo)
    if outcome.failed:
        raise click.exceptions.Exit(1)


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run the command line; whatever is wrong with the input is one line and exit code 2."""
    try:
        code = lacelay.main(arguments, standalone_mode=False)
    except LacelayError as refusal:
        _end(str(refusal), 2)
    except click.exceptions.NoArgsIsHelpError as asked:
        click.echo(asked.format_message())
        raise SystemExit(0) from None
    except click.UsageError as mistake:
        where = mistake.ctx.command_path if mistake.ctx else "lacelay"
        _end(f"{mistake.format_message()} See {where} --help.", 2)
    except click.ClickException as mistake:
        _end(mistake.format_message(), 2)
    except click.Abort:
        _end("Stopped.", 130)
    except BrokenPipeError:
        sys.stderr.close()
        raise SystemExit(1) from None
    raise SystemExit(code if isinstance(code, int) else 0)


def _end(sentence: str, code: int) -> NoReturn:
    line = " ".join(sentence.split())
    click.echo(f"\r\033[K{line}" if sys.stderr.isatty() else line, err=True)
    raise SystemExit(code)
