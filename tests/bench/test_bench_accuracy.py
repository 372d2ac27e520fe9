"""The bench round the measures: its photos, its store, its tables."""

import json
import math
from dataclasses import replace

import bench_accuracy
import bench_cases
import bench_public
import numpy as np
import pytest
from bench_accuracy import Result, compare, load, read_case, save, table, worst_tenth
from bench_cases import all_cases, photo_of, quick_cases

from lacelay.rendering import FAMILIES, LEVELS, VARIATIONS

SMALL = (480, 360)


def result(label, refused=None, **values):
    held = {"scale": True, "width": False}
    return Result(label, "plain", "easy", refused, None, 2.0, values, {"tips": [0.1, 0.9]}, held)


def test_the_full_run_sweeps_every_variation_family_and_level():
    cases = all_cases()
    assert len(cases) >= 40
    assert {case.name for case in cases} >= set(VARIATIONS)
    assert {case.family for case in cases} == set(FAMILIES)
    assert {case.level for case in cases} == set(LEVELS)
    assert min(case.seed for case in cases) >= 401
    assert len({case.label for case in cases}) == len(cases)
    assert all(case.family in case.variation.families for case in cases if case.variation)
    assert 10 <= len(quick_cases()) <= 14
    assert set(quick_cases()) <= set(cases)


def test_a_photo_is_rendered_once_and_kept(tmp_path, monkeypatch):
    case = next(case for case in all_cases() if case.name == "clutter hand")
    (tmp_path / f"{case.label}_480x360_000000000000.png").write_bytes(b"of an older renderer")
    first = photo_of(case, tmp_path, SMALL)
    assert len(list(tmp_path.iterdir())) == 2  # the older one is gone
    monkeypatch.setattr(bench_cases, "render_photo", None)
    again = photo_of(case, tmp_path, SMALL)
    assert np.array_equal(first.photo, again.photo)
    assert np.array_equal(first.truth.outline_mm, again.truth.outline_mm)
    assert again.details.hidden_mm[0] == pytest.approx(first.details.hidden_mm[0])
    assert again.mat == first.mat


def test_a_refusal_is_a_result(tmp_path):
    case = next(case for case in all_cases() if case.name == "plain")
    photo = photo_of(case, tmp_path, SMALL)
    grey = replace(photo, photo=np.full_like(photo.photo, 90))
    refused = read_case(case, grey)
    assert refused.refused
    assert not refused.values
    assert "NOT READ" in bench_accuracy.line_of(refused)


def test_worst_tenth_is_on_the_bad_side():
    values = [float(k) for k in range(11)]
    assert worst_tenth(values, good_high=False) == pytest.approx(9)
    assert worst_tenth(values, good_high=True) == pytest.approx(1)


def test_the_table_says_what_is_met_and_counts_refusals():
    results = [
        result("a", scale=0.001, repeat=0.02, **{"motif IoU": 0.9, "count right": 1.0}),
        result("b", scale=0.001, repeat=None, **{"motif IoU": 0.9, "count right": 0.0}),
        result("c", refused="no lace"),
    ]
    text = table(results)
    assert "2 of 3 photos read" in text
    lines = {line[:28].strip(): line for line in text.splitlines()}
    assert "0.10  0.20 +" in lines["scale %"]
    assert "2.00  0.30 -" in lines["repeat %"]
    assert lines["repeat %"].split()[2] == "1"  # one photo had a repeat to compare
    assert "1 of 2, 50 %" in lines["count right"]
    assert "intervals that hold the truth: 50 %" in text


def test_a_scale_told_by_the_width_is_no_scale_read():
    told = replace(result("a", scale=0.02), told="width")
    assert "scale %" not in table([told])


def test_runs_are_saved_and_compared(tmp_path):
    before = [result("a", repeat=0.02, **{"count right": 0.0}), result("b", refused="no lace")]
    after = [result("a", repeat=0.01, **{"count right": 1.0}), result("b", repeat=0.0)]
    save(before, tmp_path / "old.json")
    text = compare(load(tmp_path / "old.json"), after)
    assert "2 photos in common" in text
    assert "b: read now" in text
    assert "a: count right no -> yes" in text
    assert "median   2.00 ->   1.00" in text
    assert "no photo in common" in compare([], after)


def test_runs_of_another_renderer_do_not_compare(tmp_path):
    save([result("a")], tmp_path / "old.json")
    form = json.loads((tmp_path / "old.json").read_text())
    (tmp_path / "old.json").write_text(json.dumps({**form, "renderer": 0}))
    with pytest.raises(SystemExit, match="do not compare"):
        load(tmp_path / "old.json")


def test_public_photos_that_are_not_there_are_said_to_be_left_out(tmp_path):
    assert "left out" in bench_public.report(None)
    text = bench_public.report(tmp_path)
    assert text.count("left out") == len(bench_public.PHOTOS)
    assert not math.isnan(bench_public.scallops_right(3, 4))


def test_scallops_right_charge_both_ways():
    right = bench_public.scallops_right
    assert [right(found, 4) for found in (4, 3, 5, 0, 12)] == [4, 3, 3, 0, 0]
