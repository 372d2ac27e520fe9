"""The command line: words in, words out. No arithmetic and no reading of files here.

Only light modules are imported at the top, so that help comes at once.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import NoReturn

import click

from lacelay import __version__
from lacelay.cli import hands, photos, plans
from lacelay.cli.options import Progress
from lacelay.errors import LacelayError

__all__ = ["Progress", "lacelay", "main"]


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 96})
@click.version_option(__version__, prog_name="lacelay")
def lacelay() -> None:
    """Plan how straight scalloped lace is cut and laid along a curved edge, from a photo of it.

    Lengths are written like 12 cm, 4 3/4 in or 35mm. Start with `lacelay demo`, or read a
    photo of your lace lying flat on a cutting mat: `lacelay read my-lace.jpg`.
    """


for _verb in (
    photos.read,
    plans.lay,
    hands.hand,
    hands.landed,
    plans.check,
    plans.sheet,
    photos.target_sheet,
    photos.render,
    plans.demo,
):
    lacelay.add_command(_verb)


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
