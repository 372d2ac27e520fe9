"""Motifs parted where they touch, and left whole where a stem ties them."""

import cv2
import numpy as np

from lacelay.reading.necks import hills, parted

PX_PER_MM = 6.0


def _drawn(*shapes: tuple[str, tuple[float, ...]]) -> np.ndarray:
    picture = np.zeros((300, 480), np.uint8)
    for kind, numbers in shapes:
        at = [round(number * PX_PER_MM) for number in numbers]
        if kind == "disc":
            cv2.circle(picture, (at[0], at[1]), at[2], 1, cv2.FILLED)
        else:
            cv2.line(picture, (at[0], at[1]), (at[2], at[3]), 1, at[4])
    return picture > 0


def test_hills_are_those_of_a_reconstruction() -> None:
    from skimage.morphology import reconstruction

    noise = np.random.default_rng(6).normal(0, 1, (120, 150)).astype(np.float32)
    height = (cv2.GaussianBlur(noise, (0, 0), 4) * 8).astype(np.float32)
    drop = 0.6
    rest = height - reconstruction(height - drop, height, method="dilation")
    expected = rest >= drop - 1e-3
    assert 0.001 < expected.mean() < 0.2
    assert np.mean(hills(height, drop) != expected) < 0.001


def test_two_flowers_that_touch_are_two() -> None:
    both = _drawn(("disc", (20, 20, 8)), ("disc", (35.5, 20, 8)))
    parts = parted(both, PX_PER_MM, False)
    assert len(parts) == 2
    middles = sorted(column + part.shape[1] / 2 for part, column, _ in parts)
    assert np.abs(np.array(middles) / PX_PER_MM - [20, 35.5]).max() < 0.7
    assert sum(part.sum() for part, _, _ in parts) > 0.97 * both.sum()


def test_a_leaf_on_its_stem_stays_with_its_flower() -> None:
    spray = _drawn(("disc", (20, 20, 8)), ("line", (20, 20, 52, 24, 1.2)), ("disc", (54, 25, 5)))
    assert len(parted(spray, PX_PER_MM, False)) == 1


def test_lobes_of_one_flower_are_one() -> None:
    turns = np.linspace(0, 2 * np.pi, 6)[:-1]
    petals = [("disc", (40 + 7 * np.cos(t), 24 + 7 * np.sin(t), 4.5)) for t in turns]
    assert len(parted(_drawn(("disc", (40, 24, 5)), *petals), PX_PER_MM, False)) == 1


def test_what_has_no_end_is_parted_at_its_stems() -> None:
    garland = _drawn(("line", (0, 20, 80, 20, 1.2)), ("disc", (20, 20, 6)), ("disc", (60, 20, 6)))
    assert len(parted(garland, PX_PER_MM, False)) == 1
    assert len(parted(garland, PX_PER_MM, True)) == 2
