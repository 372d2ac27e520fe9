"""The command line: her words, one line on bad input, and files that can be used again."""

import json
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from handmade import galloon

from lacelay import cli, workflow
from lacelay.demonstration import Case, Outcome, results_page
from lacelay.files.photos import save_png
from lacelay.files.records import read_plan, write_lace, write_plan
from lacelay.lace_story import lace_lines
from lacelay.model.lace import Measured
from lacelay.model.wishes import Limits, Weights

VERBS = ("read", "lay", "hand", "landed", "check", "render", "sheet", "target-sheet", "demo")
#: Not for her eyes: the field's terms, and the words of proofs.
OURS = (
    *("J", "frieze", "RMS", "proof", "gap to bound", "bound on", "certificate", "landmark"),
    *("target(?!.sheet)", "pitch", "phase", "hinge", "homography", "yardage", "curvature", "kappa"),
    *("solver", "optimum", "radians", "px", "JSON Schema"),
)


def run(capsys, *arguments: object) -> tuple[int, str, str]:
    """Exit code, standard output and standard error of one command."""
    with pytest.raises(SystemExit) as end:
        cli.main([str(each) for each in arguments])
    captured = capsys.readouterr()
    return int(end.value.code or 0), captured.out, captured.err


@pytest.fixture(scope="module")
def lace_file(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("lace") / "galloon.json"
    write_lace(path, galloon())
    return path


@pytest.fixture(scope="module")
def plan_file(tmp_path_factory, lace_file) -> Path:
    path = tmp_path_factory.mktemp("plan") / "plan.json"
    laid = workflow.lay(
        workflow.open_lace(lace_file),
        workflow.find_edge(workflow.EdgeRequest("dipped-waist")),
        wishes=workflow.wishes(side="lower", depth_mm=50.0),
    )
    write_plan(path, laid.plan)
    return path


@pytest.mark.parametrize("verb", [(), *((verb,) for verb in VERBS)])
def test_help_is_in_her_words(capsys, verb) -> None:
    code, out, err = run(capsys, *verb, "--help")
    assert (code, err) == (0, "")
    for word in OURS:
        assert not re.search(rf"\b{word}\b", out), word


def test_help_of_lay_lists_every_built_in_edge_and_measurement(capsys) -> None:
    from lacelay.model.shapes import SHAPES

    _, out, _ = run(capsys, "lay", "--help")
    for shape in SHAPES.values():
        assert f"{shape.name}:" in out
        for parameter in shape.parameters:
            assert parameter.name in out


def test_version_and_no_arguments(capsys) -> None:
    from lacelay import __version__

    assert run(capsys, "--version")[1].strip() == f"lacelay, version {__version__}"
    code, out, _ = run(capsys)
    assert code == 0
    assert all(verb in out for verb in VERBS)


def test_the_module_runs_too() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "lacelay", "lay", "nothing.json", "bodice-top"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr == ("There is no file nothing.json. Check the name and the folder.\n")


SVG = '<svg xmlns="http://www.w3.org/2000/svg" {page}><path id="top" d="{d}"/></svg>'
MM = 'width="600mm" height="600mm" viewBox="0 0 600 600"'


def _svg(folder: Path, d: str, page: str = MM) -> str:
    path = folder / "pattern.svg"
    path.write_text(SVG.format(page=page, d=d))
    return str(path)


REFUSED = {
    "no such lace": (("lay", "none.json", "bodice-top"), "There is no file"),
    "no such photo": (("read", "none.jpg"), "There is no file"),
    "no edge": (("lay", "LACE"), "Missing argument 'EDGE'"),
    "unknown edge": (("lay", "LACE", "bodice"), "is no edge that is known"),
    "unknown verb": (("sew",), "No such command 'sew'"),
    "unknown option": (("lay", "LACE", "bodice-top", "--flip"), "--flip"),
    "length without unit": (("lay", "LACE", "bodice-top", "--depth", "60"), "has no unit"),
    "no length": (("lay", "LACE", "bodice-top", "--depth", "deep"), "is not a length"),
    "border without depth": (("lay", "LACE", "bodice-top", "--depth", "0mm"), "has a depth"),
    "setting nothing": (("lay", "LACE", "bodice-top", "--set", "lobe-radius"), "sets nothing"),
    "unknown setting": (("lay", "LACE", "bodice-top", "--set", "lobes=2mm"), "has no 'lobes'"),
    "set twice": (
        ("lay", "LACE", "bodice-top", *("--set", "lobe-radius=85mm") * 2),
        "is set twice",
    ),
    "unknown limit": (("lay", "LACE", "bodice-top", "--limit", "lop=2mm"), "There is no 'lop'"),
    "limit of no length": (("lay", "LACE", "bodice-top", "--limit", "lap=2"), "has no unit"),
    "unknown weight": (("lay", "LACE", "bodice-top", "--weigh", "lop=2"), "There is no 'lop'"),
    "weight below nothing": (("lay", "LACE", "bodice-top", "--weigh", "cut=-2"), "Give minutes"),
    "spare that is no share": (("lay", "LACE", "bodice-top", "--spare", "much"), "not a share"),
    "--set on a drawing": (("lay", "LACE", "a.svg#b", "--set", "a=2mm"), "--set is for"),
    "--covered on a shape": (
        ("lay", "LACE", "bodice-top", "--covered", "left"),
        "its own covered side",
    ),
    "covered side not said": (("lay", "LACE", "a.svg#top"), "was not said"),
    "path not said": (("lay", "LACE", "a.svg"), "Say which path"),
    "a lace for a plan": (("check", "LACE"), "is a lace record, not a plan"),
    "a plan for a lace": (("lay", "PLAN", "bodice-top"), "is a plan, not a lace record"),
    "a photo for a plan": (("sheet", "PHOTO"), "not a file of lacelay"),
    "points that are none": (("read", "PHOTO", "--two-points", "1,2 3"), "not two points"),
    "grid that is none": (("read", "PHOTO", "--grid", "1"), "has no unit"),
    "unknown family": (("render", "--family", "x", "--seed", "1"), "There is no lace 'x'"),
    "seed that is none": (("render", "--family", "sprays", "--seed", "-1"), "--seed"),
    "no photos": (("demo", "--photos", "FOLDER"), "There are no photos"),
    "no folder of photos": (("demo", "--photos", "none"), "There is no folder"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_bad_input_is_one_line_and_exit_2(capsys, tmp_path, lace_file, plan_file, name) -> None:
    arguments, words = REFUSED[name]
    save_png(tmp_path / "plain.png", np.full((300, 400, 3), 90, np.uint8))
    (tmp_path / "empty").mkdir()
    real = {
        "LACE": lace_file,
        "PLAN": plan_file,
        "PHOTO": tmp_path / "plain.png",
        "FOLDER": tmp_path / "empty",
    }
    code, out, err = run(capsys, *(real.get(each, each) for each in arguments))
    assert code == 2
    assert out == ""
    assert words in err
    assert err.count("\n") == 1
    assert "Traceback" not in err


ROUND = "M100,300 A{r},{r} 0 0 1 {end},300"  # over the top, its inside on the right
SHORT_OR_TIGHT = {
    "shorter than one scallop": ("M10,10 H40", "left", "scallop"),
    "tighter than the border is deep": (ROUND.format(r=40, end=180), "right", "deep"),
}


@pytest.mark.parametrize("name", SHORT_OR_TIGHT)
def test_edges_that_no_lace_can_go_round_are_told(capsys, tmp_path, lace_file, name) -> None:
    d, side, words = SHORT_OR_TIGHT[name]
    edge = f"{_svg(tmp_path, d)}#top"
    code, out, err = run(capsys, "lay", lace_file, edge, "--covered", side, "--depth", "60mm")
    assert (code, out) == (2, "")
    last = err.splitlines()[-1]
    assert words in last
    assert len([line for line in err.splitlines() if not line.endswith("...")]) == 1


SVG_REFUSED = {
    "no units": ("M0,0 H300", 'viewBox="0 0 600 600"', "#top", "no real units"),
    "no such id": ("M0,0 H300", MM, "#hem", "There are: top"),
    "crossing itself": ("M0,0 L300,100 V0 L0,100", MM, "#top", "crosses or retraces itself"),
}


@pytest.mark.parametrize("name", SVG_REFUSED)
def test_drawings_that_cannot_be_used_are_told(capsys, tmp_path, lace_file, name) -> None:
    d, page, which, words = SVG_REFUSED[name]
    edge = _svg(tmp_path, d, page) + which
    code, _, err = run(capsys, "lay", lace_file, edge, "--covered", "left")
    assert code == 2
    assert words in err


def test_a_drawn_edge_is_laid(capsys, tmp_path, lace_file) -> None:
    edge = f"{_svg(tmp_path, 'M20,300 H500')}#top"
    plan = tmp_path / "plan.json"
    options = ("--covered", "left", "--centre-at", "middle", "--depth", "2 in", "--json", plan)
    code, out, _ = run(capsys, "lay", lace_file, edge, *options)
    assert code == 0
    first = out.splitlines()[0]
    # 240 mm from the centre is six scallops of 40 mm; a straight edge needs no cut
    assert first.startswith("centre to end of the edge: 6 scallops,")
    assert first.endswith("no cuts needed")
    kept, _ = read_plan(plan)
    assert kept.wishes.border_depth_mm == pytest.approx(50.8)
    assert run(capsys, "check", plan)[:2] == (0, "Everything in this plan holds.\n")


def test_what_she_asks_for_reaches_the_plan(capsys, tmp_path, lace_file) -> None:
    plan = tmp_path / "plan.json"
    code, out, err = run(
        *(capsys, "lay", lace_file, "circular-hem", "--json", plan, "--inches"),
        *("--set", "radius=3 m", "--set", "angle=8deg", "--kind", "hard"),
        *("--edge", "upper", "--centre", "tip", "--stand", "1mm", "--depth", "50mm"),
        *("--weigh", "cut=12", "--limit", "lap=2 cm", "--limit", "stretch=1.5%"),
        *("--shop-increment", "1/4 yd", "--spare", "15%"),
    )
    assert code == 0, err
    assert "tip at the centre" in out.splitlines()[0]
    kept, _ = read_plan(plan)
    assert kept.target.kind == "hard"
    assert kept.target.length_mm == pytest.approx(3000 * np.radians(8), abs=0.01)
    assert (kept.side, kept.wishes.centre, kept.wishes.stand_mm) == ("upper", "tip", 1.0)
    assert (kept.weights.cut, kept.limits.lap_mm, kept.limits.stretch) == (12.0, 20.0, 0.015)
    assert kept.purchase.increment_mm == pytest.approx(228.6)
    assert kept.purchase.to_buy_mm / 228.6 == pytest.approx(round(kept.purchase.to_buy_mm / 228.6))
    assert kept.purchase.spare_mm == pytest.approx(0.15 * kept.purchase.used_mm)
    stored = json.loads(plan.read_text())["plan"]
    assert stored["weights"]["cut"] == 12.0
    assert stored["limits"]["lap_mm"] == 20.0


def test_the_same_wishes_give_the_same_bytes(capsys, tmp_path, lace_file) -> None:
    for name in ("a", "b"):
        run(
            *(capsys, "lay", lace_file, "circular-hem", "--json", tmp_path / f"{name}.json"),
            *("--set", "radius=3m", "--set", "angle=8", "--depth", "50mm"),
        )
    assert (tmp_path / "a.json").read_bytes() == (tmp_path / "b.json").read_bytes()


def test_check_says_what_does_not_hold(capsys, tmp_path, plan_file) -> None:
    stored = json.loads(plan_file.read_text())
    shift = stored["plan"]["runs"][0]["laying"]["shift_mm"]
    stored["plan"]["runs"][0]["laying"]["shift_mm"] = [shift[0] + 3.0, shift[1]]
    (tmp_path / "wrong.json").write_text(json.dumps(stored))
    code, out, err = run(capsys, "check", tmp_path / "wrong.json")
    assert (code, err) == (1, "")
    assert out.strip()
    assert "Everything" not in out


def test_sheets_are_written(capsys, tmp_path, plan_file) -> None:
    code, out, _ = run(capsys, "sheet", plan_file, "--out", tmp_path / "my sheets.pdf", "--tinted")
    assert code == 0
    assert "my sheets.pdf" in out
    assert (tmp_path / "my sheets.pdf").read_bytes().startswith(b"%PDF")


def test_a_folder_that_cannot_be_written_is_told(capsys, tmp_path, plan_file) -> None:
    (tmp_path / "file").write_text("x")
    code, _, err = run(capsys, "sheet", plan_file, "--out", tmp_path / "file" / "a.pdf")
    assert code == 2
    assert "a file lies where its folder should be" in err


@pytest.mark.slow
def test_rendered_photos_have_the_same_bytes_and_a_record_of_the_truth(capsys, tmp_path) -> None:
    for name in ("a", "b"):
        code, _, _ = run(
            *(capsys, "render", "--family", "guipure", "--seed", 5, "--size", 800, 600),
            *("--out", tmp_path / f"{name}.jpg", "--truth", tmp_path / f"{name}.json"),
        )
        assert code == 0
    assert (tmp_path / "a.jpg").read_bytes() == (tmp_path / "b.jpg").read_bytes()
    assert (
        json.loads((tmp_path / "a.json").read_text())["lace"]
        == (json.loads((tmp_path / "b.json").read_text())["lace"])
    )
    truth = workflow.open_lace(tmp_path / "a.json")
    assert truth.lace.photo.size_px == (800, 600)


def test_progress_is_silent_at_first_and_never_on_standard_output(capsys, monkeypatch) -> None:
    clock = iter([0.0, 0.5, 1.5, 1.6, 2.0, 2.1])
    monkeypatch.setattr("time.monotonic", lambda: next(clock))
    progress = cli.Progress()
    progress("looking", 0.1)
    progress("finding", 0.2)
    progress("finding", 0.3)
    progress("drawing", 0.4)
    progress("done", 1.0)
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.splitlines() == ["finding ...", "drawing ..."]


def test_settings_of_weights_and_limits() -> None:
    limits = workflow.adjusted(Limits(), {"cut-distance": "2 cm", "squeeze": "1%"})
    assert (limits.cut_distance_mm, limits.squeeze) == (20.0, 0.01)
    weights = workflow.adjusted(Weights(), {"motif-mm": "2,5 min"})
    assert weights.motif_mm == 2.5


def test_a_lace_is_told_in_her_words() -> None:
    lines = lace_lines(galloon(beads=True))
    text = "\n".join(lines)
    assert "9 whole scallops, 40 mm" in text
    assert "3 to a repeat" in text
    for word in OURS:
        assert not re.search(rf"\b{word}\b", text), word


def test_what_a_lace_may_be_off_by_is_told_where_it_shows() -> None:
    lace = galloon()
    rough = replace(lace, width_mm=Measured(140.0, 2.0), repeat=None, doubts=("It is curled.",))
    text = "\n".join(lace_lines(rough))
    assert "14.0 cm (give or take 4 mm) wide" in text
    assert "Repeat: not found." in text
    assert text.endswith("In doubt: It is curled.")
    fine = replace(lace, width_mm=Measured(140.0, 0.2))
    assert "14.0 cm wide" in "\n".join(lace_lines(fine))
    assert "5 1/2 in wide" in "\n".join(lace_lines(fine, inches=True))


def test_a_doubt_about_an_edge_is_told_once() -> None:
    lace = galloon()
    doubtful = replace(lace, lower=replace(lace.lower, doubt="one is torn"))
    assert "(in doubt: one is torn)" in "\n".join(lace_lines(doubtful))
    listed = replace(doubtful, doubts=("The lower edge: one is torn.",))
    assert "\n".join(lace_lines(listed)).count("one is torn") == 1


def test_the_page_of_results_shows_what_there_is(tmp_path) -> None:
    good = Case("my <lace>", "bodice-top", "my <lace>-bodice-top", ("5 scallops", "and & more"))
    bad = Case("blurred", "", "blurred-", (), "No lace <was> found.")
    wrong = Case("other", "circular-hem", "x", ("6 scallops",), findings=("a rule: 3 < 4",))
    (tmp_path / good.folder).mkdir()
    (tmp_path / good.folder / "garment.png").write_bytes(b"x")
    page = results_page([good, bad, wrong], tmp_path)
    assert "all of it holds" in page
    assert "a rule: 3 &lt; 4" in page
    assert (Outcome((good,)).failed, Outcome((good, bad, wrong)).failed) == (0, 2)
    assert "my &lt;lace&gt;, bodice top" in page
    assert "and &amp; more" in page
    assert "No lace &lt;was&gt; found." in page
    assert 'src="my%20%3Clace%3E-bodice-top/garment.png"' in page
    assert "cutting-map.png" not in page
    assert "http" not in page.replace("http-equiv", "")


def test_what_is_locked_and_asked_is_kept(capsys, tmp_path, lace_file, plan_file) -> None:
    """From the plan's numbers to a file, to a plan that holds it, and back out of it."""
    mine, again = tmp_path / "mine.json", tmp_path / "again.json"
    code, out, err = run(
        capsys, "hand", plan_file, "--out", mine, "--lock-cut", 2, "--lock", "0cm to 20cm",
        *("--no-cut", "30cm to 302mm", "--cut-near", "25cm within 3cm"),
        *("--mark", "valley at centre front within 25mm"),
    )  # fmt: skip
    assert (code, err) == (0, "")
    assert out.startswith("The cut locked at ")
    assert "No cut from 30.0 cm to 30.2 cm (h" in out
    assert "A valley at the centre front (h" in out
    lay = ("lay", lace_file, "dipped-waist", "--edge", "lower", "--depth", "50mm", "--json", again)
    code, out, err = run(capsys, *lay, "--hand", mine)
    assert (code, err) == (0, "")
    assert run(capsys, "check", again, "--hand", mine)[:2] == (
        0,
        "Everything in this plan holds.\n",
    )
    other = tmp_path / "other.json"
    elsewhere = ("--lock-cut", 1, "--cut-near", "1cm within 5mm")
    assert run(capsys, "hand", plan_file, "--out", other, *elsewhere)[0] == 0
    code, out, _ = run(capsys, "check", again, "--hand", other)
    assert code == 1
    assert "asked was a cut within 5 mm of 10 mm from the start (h2); there is none" in out
    args = ("hand", plan_file, "--before", other, "--out", other, "--undo", "h2", "--forget", "h1")
    code, out, _ = run(capsys, *args)
    assert out.startswith("A cut within 5 mm of 10 mm from the start (h2), taken back for now.\n")
    assert run(capsys, "check", again, "--hand", other)[0] == 0


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--lock-cut", 99), "There is no cut 99: the plan has "),
        (("--lock-stretch", 99), "There is no stretch 99: the plan has "),
        (("--lock", "11cm to 12cm"), "No stretch lies wholly in 11cm to 12cm. "),
        (("--no-cut", "10cm"), "'10cm' is no stretch of the edge. Write it like 10cm to 14cm."),
        (("--no-cut", "14cm to 10cm"), "h1 is of no stretch: from 140 mm to 100 mm. "),
        (("--mark", "flower at 10cm"), "'flower at 10cm' is no wish for a balance mark. "),
        (("--cut-near", "here"), "'here' "),
        (("--undo", "h7"), "Nothing asked for is called h7. "),
    ],
)
def test_what_cannot_be_asked_is_said_in_one_line(
    capsys, tmp_path, plan_file, options, said
) -> None:
    out_file = tmp_path / "mine.json"
    code, out, err = run(capsys, "hand", plan_file, "--out", out_file, *options)
    assert (code, out) == (2, "")
    assert err.startswith(said)
    assert err.count("\n") == 1
    assert not out_file.exists()


def test_one_number_plans_the_rest_anew(capsys, tmp_path, plan_file) -> None:
    rest = tmp_path / "rest.json"
    args = ("landed", plan_file, "--scallop", 3, "--early", "4mm", "--json", rest)
    code, out, err = run(capsys, *args)
    assert (code, err) == (0, "")
    assert re.match(r"All that is laid up to scallop 3 stays; the rest begins at cut \d, ", out)
    assert "which lies 4 mm early." in out
    assert "Buy " not in out
    held = tmp_path / "rest.hand.json"
    assert run(capsys, "check", rest, "--hand", held)[:2] == (
        0,
        "Everything in this plan holds.\n",
    )
    both = run(capsys, *args, "--late", "4mm")
    assert both[0] == 2
    assert "--early 4mm, or --late 4mm" in both[2]


def test_three_plans_are_told_and_written_by_her_words(capsys, tmp_path, lace_file) -> None:
    told = run(
        capsys,
        *("lay", str(lace_file), "dipped-waist", "--edge", "lower", "--plans", "three"),
        *("--json", str(tmp_path / "waist.json")),
    )
    assert told[0] == 0
    cuts = []
    for name in ("fewest cuts", "balanced", "smoothest edge"):
        assert f"\n{name.upper()}\n" in told[1]
        assert re.search(rf"{name.capitalize()}: .* cuts, .*of the edge", told[1])
        plan, _ = read_plan(tmp_path / f"waist-{name.replace(' ', '-')}.json")
        assert plan.three is not None
        assert plan.three.this == name
        cuts.append(sum(cut.kind != "uncut" for cut in plan.cuts))
    assert cuts[0] <= cuts[1] < cuts[2]
    one = run(
        capsys,
        *("lay", str(lace_file), "dipped-waist", "--edge", "lower", "--plans", "smoothest-edge"),
        *("--json", str(tmp_path / "smooth.json")),
    )
    assert one[0] == 0
    alone, _ = read_plan(tmp_path / "smooth.json")
    assert alone.three is not None
    assert alone.three.this == "smoothest edge"
    assert sum(cut.kind != "uncut" for cut in alone.cuts) == cuts[2]


def test_three_plans_are_not_made_round_what_is_asked(capsys, lace_file) -> None:
    code, _, err = run(
        capsys, "lay", str(lace_file), "dipped-waist", "--plans", "three", "--cut-near", "12cm"
    )
    assert code == 2
    assert "Three plans are not made round what is locked or asked." in err
