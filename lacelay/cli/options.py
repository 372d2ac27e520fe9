"""Options and their reading that several verbs share, and how progress is told."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from lacelay.errors import UnitError
from lacelay.units import parse_length_mm

Command = TypeVar("Command", bound=Callable[..., Any])
FILE = click.Path(path_type=Path)
#: Nothing is said of work that takes less than this.
_QUIET_SECONDS = 1.0


def length_option(ctx: click.Context, param: click.Parameter, value: str | None) -> float | None:
    """Read a length as she writes it, in mm inside."""
    return None if value is None else parse_length_mm(value)


def settings_option(
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


def scale_options(command: Command) -> Command:
    """Options for how large the photo is, for `workflow.read_scale`; all may be left out."""
    for option in (
        click.option(
            "--ignore",
            multiple=True,
            type=click.Choice(["grid", "board", "sheet", "card", "ruler"]),
            help="Something that is not to be taken for a measure: a sheet that is no A4 or "
            "Letter, say. Board is the printed target sheet.",
        ),
        click.option(
            "--four-points",
            metavar='"X,Y X,Y X,Y X,Y LENGTH x LENGTH"',
            help="Four corners of something square-cornered that lies flat, in order round it, "
            "in pixels, and its sides: from the first corner to the second, and to the third.",
        ),
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
