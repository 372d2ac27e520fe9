"""The verbs about plans: lay a lace along an edge, measure again, sheets, the demonstration."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from lacelay.cli.hands import ask_options
from lacelay.cli.options import (
    FILE,
    Progress,
    length_option,
    scale_options,
    settings_option,
)


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


@click.command(cls=LayCommand, short_help="Lay a lace along an edge.")
@click.argument("lace", type=FILE)
@click.argument("edge")
@click.option(
    "--set",
    "settings",
    callback=settings_option,
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
    callback=length_option,
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
    callback=length_option,
    metavar="LENGTH",
    help="How deep the border is taken, from the valleys; chosen if left out.",
)
@click.option(
    "--vary-depth",
    is_flag=True,
    help="Let the border be deeper on some stretches than on others.",
)
@click.option(
    "--stand",
    callback=length_option,
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
    callback=length_option,
    metavar="LENGTH",
    help="How far inside the edge the lace keeps its length; chosen if left out.",
)
@click.option(
    "--weigh",
    "weights",
    callback=settings_option,
    multiple=True,
    metavar="NAME=MINUTES",
    help="What a thing costs you, in minutes of handwork: --weigh cut=12.",
)
@click.option(
    "--limit",
    "limits",
    callback=settings_option,
    multiple=True,
    metavar="NAME=VALUE",
    help="What must not be exceeded: --limit lap=20mm.",
)
@ask_options
@click.option(
    "--hand",
    "hand_file",
    type=FILE,
    help="What is locked and asked, as `hand` wrote it: nothing locked moves.",
)
@click.option(
    "--plans",
    type=click.Choice(["one", "three", "fewest-cuts", "balanced", "smoothest-edge"]),
    default="one",
    show_default=True,
    help="One: the best as you weigh it. Three: with fewest cuts, balanced, and with the "
    "smoothest edge, side by side; or one of these by its name.",
)
@click.option(
    "--shop-increment",
    callback=length_option,
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
    vary_depth: bool,
    stand: float | None,
    centre: Any,
    laying_depth: float | None,
    weights: dict[str, str],
    limits: dict[str, str],
    no_cut: tuple[str, ...],
    cut_near: tuple[str, ...],
    marks: tuple[str, ...],
    hand_file: Path | None,
    plans: str,
    shop_increment: float | None,
    spare: str | None,
    inches: bool,
    json_file: Path | None,
    out: Path | None,
    **scale: Any,
) -> None:
    """Lay the LACE (a photo, or what `read --json` wrote) along an EDGE.

    EDGE is a path of a drawing in real units, named as FILE.svg#its-id, or one of the
    built-in edges below. The answer begins with what you can walk with the lace along the
    edge: how many scallops from the centre front to the side seam, what lies at the centre,
    how many cuts. Then: lace eaten up, where it is cut, laps and openings, what stays bare,
    bulk, beads in the way, and the length to buy. Left and right are the wearer's.
    """
    from lacelay import workflow
    from lacelay.model.choices import PLAN_NAMES
    from lacelay.model.wishes import Limits, Weights

    progress = Progress()
    request = workflow.EdgeRequest(edge, settings, covered, kind, centre_at, drawing_width)
    target = workflow.find_edge(request)
    weighed = workflow.adjusted(Weights(), weights)
    limited = workflow.adjusted(Limits(), limits)
    wishes = workflow.wishes(
        side=side,
        centre=centre,
        depth_mm=depth,
        stand_mm=stand,
        laying_depth_mm=laying_depth,
        vary_depth=vary_depth,
    )
    asked = workflow.Asked(no_cut, cut_near, marks)
    hand = workflow.asked_of(target, asked, workflow.open_hand(hand_file))
    share = None if spare is None else workflow.read_share(spare)
    source = workflow.open_lace(lace, scale=workflow.read_scale(**scale), progress=progress)
    wanted: dict[str, Any] = {
        "wishes": wishes,
        "weights": weighed,
        "limits": limited,
        "hand": hand,
        "increment_mm": workflow.SHOP_INCREMENT_MM if shop_increment is None else shop_increment,
        "spare_share": share,
        "inches": inches,
        "json_file": json_file,
        "out": out,
        "progress": progress,
    }
    all_laid: tuple[workflow.Laid, ...]
    if plans == "one":
        all_laid = (workflow.lay(source, target, **wanted),)
    else:
        names = [name for name in PLAN_NAMES if plans in ("three", name.replace(" ", "-"))]
        all_laid = workflow.lay_three(source, target, names=names, **wanted)
    progress.done()
    for laid in all_laid:
        if len(all_laid) > 1 and laid.plan.three is not None:
            click.echo(f"\n{laid.plan.three.this.upper()}")
        for line in laid.lines:
            click.echo(line)
    if out is not None:
        click.echo(f"Everything is in {out}")
        if source.picture is None:
            click.echo("This lace came without its own picture, so there are no pictures of it.")


@click.command(short_help="Measure a plan again.")
@click.argument("plan", type=FILE)
@click.option("--hand", "hand_file", type=FILE, help="Hold it to this, as `hand` wrote it, too.")
def check(plan: Path, hand_file: Path | None) -> None:
    """Measure a PLAN again from its outlines, and say what does not hold.

    Ends with 0 when all holds, and with 1 when something does not.
    """
    from lacelay import workflow

    findings = workflow.check(plan, workflow.open_hand(hand_file))
    for finding in findings:
        click.echo(f"{finding.rule}: {finding.message}")
    if findings:
        raise click.exceptions.Exit(1)
    click.echo("Everything in this plan holds.")


@click.command(short_help="Make sheets at true size.")
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


@click.command(short_help="Read and lay the samples, and show it all.")
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
