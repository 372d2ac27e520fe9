"""Options and the verb by which she takes a plan in hand: what stays, what must be otherwise."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from lacelay.cli.options import FILE, Command, length_option


def ask_options(command: Command) -> Command:
    """What she asks of the edge, for `workflow.Asked`."""
    for option in (
        click.option(
            "--mark",
            "marks",
            multiple=True,
            metavar='"WHAT at PLACE"',
            help='A valley or tip wished at a balance mark: "tip at left side seam", '
            '"valley at 12cm within 2mm".',
        ),
        click.option(
            "--cut-near",
            multiple=True,
            metavar="LENGTH",
            help='A cut is to be there, this far from the start: 12cm, or "12cm within 5mm".',
        ),
        click.option(
            "--no-cut",
            multiple=True,
            metavar='"LENGTH to LENGTH"',
            help='Nothing is to be cut there: "10cm to 14cm" from the start of the edge.',
        ),
    ):
        command = option(command)
    return command


@click.command(short_help="Say what stays of a plan.")
@click.argument("plan", type=FILE)
@click.option("--out", type=FILE, required=True, help="The file for all that is asked.")
@click.option("--before", type=FILE, help="A file of what was asked before, which is kept.")
@click.option(
    "--lock-cut", type=int, multiple=True, metavar="NUMBER", help="A cut that stays, by its number."
)
@click.option(
    "--lock-stretch",
    type=int,
    multiple=True,
    metavar="NUMBER",
    help="A stretch that stays as it lies, with both its cuts.",
)
@click.option(
    "--lock",
    "between",
    multiple=True,
    metavar='"LENGTH to LENGTH"',
    help='Every stretch that lies wholly there stays: "0cm to 21cm".',
)
@click.option("--undo", multiple=True, metavar="NAME", help="Take one back for now, as h1.")
@click.option("--redo", multiple=True, metavar="NAME", help="Ask again for one taken back.")
@click.option("--forget", multiple=True, metavar="NAME", help="Strike one out for good.")
@ask_options
def hand(
    plan: Path,
    out: Path,
    before: Path | None,
    lock_cut: tuple[int, ...],
    lock_stretch: tuple[int, ...],
    between: tuple[str, ...],
    undo: tuple[str, ...],
    redo: tuple[str, ...],
    forget: tuple[str, ...],
    **asked: Any,
) -> None:
    """Say what stays of a PLAN and what must be otherwise.

    Cuts and stretches have the numbers they have on the pictures and sheets. Lay the lace
    again with `lay --hand` and the file made here: nothing locked moves, and all the rest is
    planned anew.
    """
    from lacelay import workflow

    lines = workflow.take_hold(
        plan,
        out,
        before=before,
        held=workflow.Held(lock_cut, lock_stretch, between),
        asked=workflow.Asked(**asked),
        changed=workflow.Changed(undo, redo, forget),
    )
    for line in lines:
        click.echo(line)
    click.echo(f"All that is asked is in {out}")


@click.command(short_help="Plan the rest anew after a scallop that landed elsewhere.")
@click.argument("plan", type=FILE)
@click.option(
    "--scallop",
    type=int,
    required=True,
    metavar="NUMBER",
    help="Which one, counted from the centre front or back where there is one, or else from "
    "where you began.",
)
@click.option(
    "--early", callback=length_option, metavar="LENGTH", help="How far short of its place."
)
@click.option(
    "--late", callback=length_option, metavar="LENGTH", help="How far past its place instead."
)
@click.option(
    "--towards",
    type=click.Choice(["end", "start"]),
    default="end",
    show_default=True,
    help="Which end of the edge you are laying towards.",
)
@click.option("--hand", "before", type=FILE, help="What was asked of the PLAN.")
@click.option("--json", "json_file", type=FILE, required=True, help="The plan of the rest.")
@click.option(
    "--hand-out", type=FILE, help="What holds it to the lace that is laid; beside it if left out."
)
@click.option("--inches", is_flag=True, help="Tell lengths in inches.")
def landed(
    plan: Path,
    scallop: int,
    early: float | None,
    late: float | None,
    towards: Any,
    before: Path | None,
    json_file: Path,
    hand_out: Path | None,
    inches: bool,
) -> None:
    """Plan anew what is not cut yet, because a scallop did not land where the PLAN has it.

    Every cut up to that scallop is taken as made, and stays. Check the new plan together with
    the file that holds it to the lace already laid: `check --hand`.
    """
    from lacelay import workflow

    if (early is None) == (late is None):
        raise click.UsageError("Say how far off it landed: --early 4mm, or --late 4mm.")
    off = early if early is not None else -(late or 0.0)
    kept = hand_out or json_file.with_suffix(".hand.json")
    for line in workflow.landed(
        plan,
        scallop,
        off,
        towards=towards,
        hand=before,
        json_file=json_file,
        hand_file=kept,
        inches=inches,
    ):
        click.echo(line)
    click.echo(f"The plan of the rest is in {json_file}, what holds it in {kept}")
