"""Options and the verb by which she takes a plan in hand: what stays, what must be otherwise."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from lacelay.cli.options import FILE, Command


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
