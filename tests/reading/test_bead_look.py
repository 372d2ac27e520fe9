"""The learned look and the parting of its answers, on numbers made for it."""

from __future__ import annotations

import numpy as np
import pytest

from lacelay.reading.bead_look import answers, learn, valley


def test_a_learned_look_answers_one_for_beads_and_nothing_for_the_rest() -> None:
    random = np.random.default_rng(2)
    places = int(((np.mgrid[-5:6, -5:6] ** 2).sum(axis=0) <= 26).sum())
    discs = 6 * places  # six pictures
    typical = random.normal(size=discs).astype(np.float32)
    beads = typical + random.normal(size=(120, discs)).astype(np.float32)
    rest = random.normal(size=(400, discs)).astype(np.float32)
    look = learn(beads[:60], rest[:200])
    assert answers(look, beads[60:]).mean() == pytest.approx(1.0, abs=0.15)
    assert answers(look, rest[200:]).mean() == pytest.approx(0.0, abs=0.1)
    assert answers(look, beads[60:]).min() > answers(look, rest[200:]).max()


def test_answers_apart_are_parted_between() -> None:
    random = np.random.default_rng(3)
    answer = np.concatenate([random.normal(0.1, 0.1, 3000), random.normal(1.0, 0.08, 200)])
    parted = valley(answer)
    assert 0.4 < parted.answer < 0.8
    assert parted.depth < 0.1
    assert parted.beads == 200


def test_answers_that_only_grow_fewer_are_not_apart() -> None:
    answer = np.random.default_rng(4).exponential(0.25, 3000)
    assert valley(answer).depth > 0.8
