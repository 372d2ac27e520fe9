"""What else may lie in a photo of lace, and which lace it may be: named, frozen variations.

A variation says *what* differs from the plain photo; *how much* is in `SIZES`, fixed before
any reading was tuned on it and held by a test, like the levels of `difficulty`.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Literal, get_args

import numpy as np

from lacelay.rendering.families import FAMILIES, groups_of, kind_of

Reference = Literal["a4", "letter", "card", "ruler-mm", "ruler-inch", "board"]
MatWish = Literal["coloured", "half-inch", "heavy", "plain"]
Clutter = Literal["pins", "ruler-across", "hand", "second-strip", "stain"]
Thread = Literal["tone-on-tone", "metallic"]
Lay = Literal["upright", "any-angle", "ring", "card-of-strips"]
Design = Literal["compound", "header"]
Copies = Literal["one", "less"]


@dataclass(frozen=True)
class Variation:
    """What differs from the plain photo of the same family and seed.

    Parameters
    ----------
    reference : str, optional
        Lies beside the lace on a mat without grid: a sheet of A4 or Letter, an ID-1 card, a
        ruler in millimetres or in sixteenths of an inch, the printed target board.
    mat : str, optional
        Another mat: lines of any colour on mats of any colour, a grid of half inches, heavy
        lines every 5 or 10, or no grid at all.
    clutter : tuple of str
        Pins, a ruler lying across the lace, a hand over one end, a second narrower strip
        beside, a stain.
    thread : str, optional
        Thread hardly told from the mat, or metallic thread with glare.
    lay : str, optional
        Upright, at any angle, bent into a closed ring, or several strips on one card.
    design : str, optional
        Small scallops along the large ones, or a header with a finer period.
    copies : str, optional
        Exactly one repeat in the photo, or less than one.
    symmetry : str, optional
        Frieze group of the pattern.
    """

    reference: Reference | None = None
    mat: MatWish | None = None
    clutter: tuple[Clutter, ...] = ()
    thread: Thread | None = None
    lay: Lay | None = None
    design: Design | None = None
    copies: Copies | None = None
    symmetry: str | None = None

    def __post_init__(self) -> None:
        allowed: dict[str, tuple[str, ...]] = {
            "reference": get_args(Reference),
            "mat": get_args(MatWish),
            "thread": get_args(Thread),
            "lay": get_args(Lay),
            "design": get_args(Design),
            "copies": get_args(Copies),
        }
        for name, names in allowed.items():
            value = getattr(self, name)
            if value is not None and value not in names:
                raise ValueError(f"no {name} {value!r}; there are {', '.join(names)}")
        if unknown := set(self.clutter) - set(get_args(Clutter)):
            raise ValueError(f"no clutter {sorted(unknown)}")
        if self.lay in ("ring", "card-of-strips") and (
            self.reference or self.copies or set(self.clutter) - {"pins", "stain"}
        ):
            raise ValueError(f"a {self.lay} leaves no room for anything beside it")
        if self.reference and "second-strip" in self.clutter:
            raise ValueError("a reference and a second strip would lie on each other")

    @property
    def families(self) -> tuple[str, ...]:
        """Families that can be rendered so."""
        return tuple(name for name in FAMILIES if self._suits(name))

    def _suits(self, family: str) -> bool:
        kind = kind_of(family)
        if self.symmetry is not None and self.symmetry not in groups_of(family):
            return False
        if self.design == "header":
            return kind == "flounce"
        if self.design == "compound" or self.lay == "ring":
            return kind != "allover"
        return True


#: Every variation by name, one at a time.
VARIATIONS: dict[str, Variation] = {
    **{f"reference {name}": Variation(reference=name) for name in get_args(Reference)},
    **{f"mat {name}": Variation(mat=name) for name in get_args(MatWish)},
    **{f"clutter {name}": Variation(clutter=(name,)) for name in get_args(Clutter)},
    **{f"thread {name}": Variation(thread=name) for name in get_args(Thread)},
    **{f"lay {name}": Variation(lay=name) for name in get_args(Lay)},
    **{f"design {name}": Variation(design=name) for name in get_args(Design)},
    **{f"copies {name}": Variation(copies=name) for name in get_args(Copies)},
    **{f"symmetry {name}": Variation(symmetry=name) for name in groups_of("sprays")},
}


def draw_variation(rng: np.random.Generator, family: str | None = None) -> Variation:
    """Draw a variation of one to three named ones that go together.

    Parameters
    ----------
    rng : numpy.random.Generator
    family : str, optional
        Only what this family can be.

    Returns
    -------
    Variation
    """
    wanted = int(rng.integers(1, 4))
    names = list(VARIATIONS)
    drawn: Variation | None = None
    for index in rng.permutation(len(names)):
        joined = _joined(drawn, VARIATIONS[names[index]])
        if joined is None or (family is not None and family not in joined.families):
            continue
        if not joined.families:
            continue
        drawn, wanted = joined, wanted - 1
        if wanted == 0:
            break
    assert drawn is not None  # every family suits more than one named variation
    return drawn


def _joined(first: Variation | None, second: Variation) -> Variation | None:
    """Both at once, or None where they say different things or leave no room."""
    if first is None:
        return second
    changes: dict[str, object] = {}
    for each in fields(Variation):
        mine, other = getattr(first, each.name), getattr(second, each.name)
        if not other:
            continue
        if each.name == "clutter":
            changes["clutter"] = tuple(dict.fromkeys((*mine, *other)))
        elif mine:
            return None
        else:
            changes[each.name] = other
    # a reference is what tells the scale: a grid beside it is a variation of its own kind
    if (changes.get("reference") and first.mat) or (changes.get("mat") and first.reference):
        return None
    try:
        return replace(first, **changes)  # type: ignore[arg-type]
    except ValueError:
        return None


@dataclass(frozen=True)
class VariationSizes:
    """Ranges of the magnitudes of variations; lengths in mm. Frozen with the version.

    Parameters
    ----------
    beside_gap : mm between the lace and what lies beside it.
    sheet_turn_rad, card_turn_rad : how far off square these lie.
    tone_difference : in lightness between thread and mat, 1 from black to white.
    metal : strength of the highlights on metallic thread.
    sheen : extra light in the middle of the glare on metallic thread.
    narrow_width, narrow_pitch : of strips beside, on cards and in rings.
    ring_slack : radius of a ring over the width of its lace, at the least.
    ripple_share : height of small scallops over that of large ones.
    header_pitch : of eyelets.
    long_repeat : scallops in a repeat that no photo holds.
    long_share : part of such a repeat that is seen.
    stain : diameter.
    stain_depth : share of the light it takes away, in blue.
    ruler_width, finger : widths.
    hand_reach : how far fingertips lie over the lace's end.
    """

    beside_gap: tuple[float, float] = (12.0, 30.0)
    sheet_turn_rad: float = 0.10
    card_turn_rad: float = 0.5
    tone_difference: tuple[float, float] = (0.09, 0.15)
    metal: tuple[float, float] = (0.7, 1.0)
    sheen: tuple[float, float] = (0.8, 1.8)
    narrow_width: tuple[float, float] = (22.0, 42.0)
    narrow_pitch: tuple[float, float] = (11.0, 22.0)
    ring_slack: float = 2.4
    ripple_share: tuple[float, float] = (0.25, 0.45)
    header_pitch: tuple[float, float] = (5.0, 9.0)
    long_repeat: tuple[int, int] = (8, 11)
    long_share: tuple[float, float] = (0.6, 0.85)
    stain: tuple[float, float] = (30.0, 70.0)
    stain_depth: tuple[float, float] = (0.25, 0.55)
    ruler_width: tuple[float, float] = (24.0, 36.0)
    finger: tuple[float, float] = (14.0, 18.0)
    hand_reach: tuple[float, float] = (25.0, 50.0)


#: The frozen magnitudes.
SIZES = VariationSizes()
