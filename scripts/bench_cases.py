"""The photos of the bench: which are rendered, and a store of them on disk.

Rendering takes seconds a photo, so each is kept in a folder outside the project, under a
name that changes with the renderer's sources: what is read is always what they draw.
"""

from __future__ import annotations

import ast
import hashlib
import os
import pickle
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

import lacelay
from lacelay.model.lace import Lace
from lacelay.rendering import (
    FAMILIES,
    LEVELS,
    RENDERER_VERSION,
    VARIATIONS,
    Details,
    Level,
    MatKind,
    Rendered,
    Variation,
    draw_variation,
    render_photo,
)

SIZE_PX = (4000, 3000)
#: Seeds from here on are never tuned on; those of 1 to 30 and of 401 to 899 were, or were
#: looked at.
FIRST_SEED = 901
#: Variations of the quick run, the ones that ask for most of the reading.
QUICK = (
    "reference a4",
    "reference ruler-mm",
    "mat coloured",
    "clutter hand",
    "thread tone-on-tone",
    "lay ring",
    "design header",
    "symmetry p11g",
)


@dataclass(frozen=True)
class Case:
    """One photo of the bench."""

    family: str
    seed: int
    level: Level
    name: str
    variation: Variation | None

    @property
    def label(self) -> str:
        """What it is called in tables, on the command line and on disk."""
        return f"{self.name.replace(' ', '-')}_{self.family}_{self.seed}_{self.level}"


@dataclass(frozen=True, eq=False)
class Photo:
    """A rendered photo and what is true of it."""

    photo: NDArray[np.uint8]
    truth: Lace
    details: Details | None
    mat: MatKind


def all_cases(first_seed: int = FIRST_SEED) -> list[Case]:
    """Every photo of the full run: plain ones of all levels, each variation, some mixed."""
    levels = list(LEVELS)
    cases = []
    for k, family in enumerate(FAMILIES):
        for j in range(2):
            cases.append(Case(family, first_seed + k, levels[(k + j) % 3], "plain", None))
    for k, (name, variation) in enumerate(VARIATIONS.items()):
        family = variation.families[k % len(variation.families)]
        cases.append(Case(family, first_seed + 20 + k, levels[k % 3], name, variation))
    for k, family in enumerate(list(FAMILIES)[:4]):
        seed = first_seed + 60 + k
        mixed = draw_variation(np.random.default_rng(seed), family)
        cases.append(Case(family, seed, levels[k % 3], "mixed", mixed))
    return cases


def quick_cases(first_seed: int = FIRST_SEED) -> list[Case]:
    """A dozen of `all_cases`."""
    cases = all_cases(first_seed)
    plain = [case for case in cases if case.name == "plain"][::3]
    return plain + [case for case in cases if case.name in QUICK]


def default_store() -> Path:
    """Where photos are kept when no folder is named."""
    base = os.environ.get("XDG_CACHE_HOME")
    return (Path(base) if base else Path.home() / ".cache") / "lacelay-bench"


def source_digest() -> str:
    """Of all that decides the bytes and the truth of a rendered photo; comments do not."""
    package = Path(lacelay.__file__).parent
    sources = [
        *sorted((package / "rendering").glob("*.py")),
        package / "geometry" / "photo_map.py",
        package / "model" / "target_board.py",
    ]
    digest = hashlib.sha256(f"{RENDERER_VERSION} {np.__version__} {cv2.__version__}".encode())
    for source in sources:
        digest.update(ast.dump(ast.parse(source.read_text(encoding="utf-8"))).encode())
    return digest.hexdigest()[:12]


def photo_of(case: Case, store: Path, size_px: tuple[int, int] = SIZE_PX) -> Photo:
    """A photo from the store, rendered first where it is not there yet.

    Parameters
    ----------
    case : Case
    store : Path
        Made when it is not there; older renderings of the same case are removed from it.
    size_px : tuple of int
    """
    store.mkdir(parents=True, exist_ok=True)
    stem = f"{case.label}_{size_px[0]}x{size_px[1]}"
    base = store / f"{stem}_{source_digest()}"
    picture, facts = base.with_suffix(".png"), base.with_suffix(".pickle")
    if picture.exists() and facts.exists():
        image = cv2.imread(str(picture), cv2.IMREAD_COLOR)
        assert image is not None
        # the store is written by this script alone, so its pickles are its own
        truth, details, mat = pickle.loads(facts.read_bytes())
        return Photo(np.ascontiguousarray(image[..., ::-1], dtype=np.uint8), truth, details, mat)
    for old in store.glob(f"{stem}_*"):
        old.unlink()
    made = _rendered(case, size_px)
    cv2.imwrite(str(picture), made.photo[..., ::-1], [cv2.IMWRITE_PNG_COMPRESSION, 1])
    facts.write_bytes(pickle.dumps((made.lace, made.details, made.mat)))
    return Photo(made.photo, made.lace, made.details, made.mat)


def _rendered(case: Case, size_px: tuple[int, int]) -> Rendered:
    """The case's photo; where its things do not fit into one photo, that of a later seed."""
    for later in range(4):
        try:
            return render_photo(
                case.family,
                case.seed + 1000 * later,
                size_px=size_px,
                level=case.level,
                variation=case.variation,
            )
        except ValueError as crowded:
            problem = crowded
    raise problem
