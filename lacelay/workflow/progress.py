"""How a verb tells what it is doing: a step in plain words and the share done, 0 to 1."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[str, float], None]


def say(progress: Progress | None, step: str, share: float) -> None:
    """Tell a step, where anybody listens."""
    if progress is not None:
        progress(step, share)
