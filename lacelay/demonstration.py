"""The demonstration: every sample photo read and laid, and a page that shows it all.

Photos are read side by side, each in a process of its own. A case that fails is told and
does not stop the others.
"""

from __future__ import annotations

import html
import os
import traceback
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

from lacelay.errors import LacelayError, MissingFileError
from lacelay.files.disk import write_file
from lacelay.units import parse_length_mm

#: Where the samples lie in a checkout, beside the package.
SAMPLES = Path(__file__).resolve().parent.parent / "sample_images"
_ENDINGS = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif")
#: Edges by turns: every photo is laid along one, so that all is done within a minute.
_EDGES = ("bodice-top", "circular-hem", "scoop-neckline", "dipped-waist")


@dataclass(frozen=True)
class Case:
    """One lace along one edge: where its files are and what it says, or why there are none.

    A photo that could not be read is one case without an edge. `findings` is what did not
    hold when the plan was measured again.
    """

    photo: str
    edge: str
    folder: str
    lines: tuple[str, ...]
    problem: str | None = None
    findings: tuple[str, ...] = ()

    @property
    def title(self) -> str:
        """Name of the photo, and of the edge."""
        names = [self.photo, self.edge] if self.edge else [self.photo]
        return ", ".join(name.replace("-", " ").replace("_", " ") for name in names)


@dataclass(frozen=True)
class Outcome:
    """All cases, in order."""

    cases: tuple[Case, ...]

    @property
    def failed(self) -> int:
        """How many cases came to nothing, or to a plan that does not hold."""
        return sum(case.problem is not None or bool(case.findings) for case in self.cases)


def demonstrate(
    out: Path,
    photos: Path | None = None,
    *,
    grid: str | None = None,
    tell: Callable[[str], object],
) -> Outcome:
    """Read every photo, lay it along its edges, and write a folder to look at.

    Parameters
    ----------
    out : Path
    photos : Path or None
        A folder of photos; the samples where None. Her own photos go along every edge.
    grid : str or None
        The distance between the lines of the mat in every photo, where it is known.
    tell : callable
        Told a line as each case is done.

    Raises
    ------
    MissingFileError
        When the folder is not there or holds no photos.
    WriteError
        When the results cannot be written.
    """
    folder = photos or SAMPLES
    if grid is not None:
        parse_length_mm(grid)  # told now rather than once for every photo
    found = _photos_in(folder)
    tell(f"{len(found)} photos in {folder}")
    jobs = [
        (photo, _EDGES if photos else (_EDGES[k % len(_EDGES)],)) for k, photo in enumerate(found)
    ]
    cases: dict[Path, list[Case]] = {}
    # "spawn": a forked child would inherit the threads' locks of the image library.
    with ProcessPoolExecutor(
        min(len(jobs), os.cpu_count() or 1), mp_context=get_context("spawn")
    ) as pool:
        running = {
            pool.submit(_photo_cases, photo, edges, out, grid): photo for photo, edges in jobs
        }
        for done in as_completed(running):
            photo = running[done]
            cases[photo] = done.result()
            for case in cases[photo]:
                tell(f"{case.title}: {case.problem or case.lines[0]}")
                for finding in case.findings:
                    tell(f"  does not hold: {finding}")
    outcome = Outcome(tuple(case for photo in found for case in cases[photo]))
    write_file(out / "index.html", results_page(outcome.cases, out).encode())
    if outcome.failed:
        told = f"{outcome.failed} of {len(outcome.cases)} came to nothing or do not hold"
        tell(f"{told}, for the reasons above.")
    return outcome


def _photos_in(folder: Path) -> list[Path]:
    try:
        found = sorted(path for path in folder.iterdir() if path.suffix.lower() in _ENDINGS)
    except OSError as problem:
        raise MissingFileError(
            f"There is no folder of photos {folder}.",
            "Name one with --photos, or run from a checkout of lacelay.",
        ) from problem
    if not found:
        raise MissingFileError(f"There are no photos in {folder}.", "Put lace photos there.")
    return found


def _photo_cases(photo: Path, edges: Sequence[str], out: Path, grid: str | None) -> list[Case]:
    """Read one photo and lay it along its edges, in a process of its own."""
    from lacelay import workflow

    try:
        source = workflow.read(photo, scale=workflow.read_scale(grid))
    except Exception as problem:
        return [_failed(photo.stem, "", problem)]
    cases = []
    for edge in edges:
        folder = f"{photo.stem}-{edge}"
        try:
            target = workflow.find_edge(workflow.EdgeRequest(edge))
            laid = workflow.lay(source, target, out=out / folder)
            findings = _measured_again(out / folder / "plan.json")
            cases.append(Case(photo.stem, edge, folder, laid.lines, findings=findings))
        except Exception as problem:
            cases.append(_failed(photo.stem, edge, problem))
    return cases


def _measured_again(plan_file: Path) -> tuple[str, ...]:
    """Return what does not hold in a plan; a plan that cannot be measured does not either."""
    from lacelay import workflow

    try:
        found = workflow.check(plan_file)
    except Exception as problem:
        traceback.print_exception(problem)
        return (f"it could not be measured again ({type(problem).__name__}: {problem})",)
    return tuple(f"{each.rule}: {each.message}" for each in found)


def _failed(photo: str, edge: str, problem: Exception) -> Case:
    if not isinstance(problem, LacelayError):
        # Not her mistake but ours: say so, and leave the trace for whoever mends it.
        traceback.print_exception(problem)
        said = f"lacelay itself failed here ({type(problem).__name__}: {problem})."
        return Case(photo, edge, f"{photo}-{edge}", (), said)
    return Case(photo, edge, f"{photo}-{edge}", (), str(problem))


_STYLE = """
:root { --ink: #2b2a33; --soft: #6d6a78; --line: #dcd6cc; --ground: #f7f4ee; --card: #fffdf9; }
* { box-sizing: border-box; }
body { margin: 0; background: var(--ground); color: var(--ink);
  font: 17px/1.5 Georgia, "DejaVu Serif", serif; }
main { max-width: 76rem; margin: 0 auto; padding: 2.5rem 1.25rem 4rem; }
h1 { font-size: 1.9rem; font-weight: normal; margin: 0 0 .4rem; }
h2 { font-size: 1.25rem; font-weight: normal; margin: 0; }
p { margin: .4rem 0; max-width: 46rem; }
.soft, figcaption, summary, .files { color: var(--soft); font-size: .9rem; }
section { background: var(--card); border: 1px solid var(--line); border-radius: 6px;
  padding: 1.4rem; margin-top: 1.6rem; }
.answer { font-size: 1.1rem; margin: .3rem 0 1rem; }
.pictures { display: grid; gap: 1rem; grid-template-columns: repeat(auto-fit, minmax(28rem, 1fr)); }
figure { margin: 0; }
figure.wide { grid-column: 1 / -1; }
img { width: 100%; height: auto; max-height: 30rem; object-fit: contain; display: block;
  object-position: left; }
a { color: #35506b; }
.files a { margin-right: 1rem; }
.problem { border-left: 4px solid #a4553f; }
ul { margin: .5rem 0; padding-left: 1.2rem; }
"""
_PICTURES = (
    ("garment.png", "Laid along the edge, from the photo's own pixels", ""),
    ("garment-marked.png", "The same, with cuts, laps and openings", ""),
    ("reading.png", "What was read from the photo", "wide"),
    ("cutting-map.png", "Where it is cut, on the lace", "wide"),
)
_FILES = (
    ("report.pdf", "report"),
    ("sheet.pdf", "sheets at true size"),
    ("plan.json", "plan"),
    ("lace.json", "lace"),
)


def results_page(cases: Sequence[Case], out: Path) -> str:
    """Return the page that lists all cases with their pictures: plain, and needs no network."""
    parts = "\n".join(_section(case, out) for case in cases)
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>lacelay: results</title>\n<style>{_STYLE}</style>\n</head>\n<body>\n<main>\n"
        "<h1>Lace laid along curved edges</h1>\n"
        '<p class="soft">The garments are our own invention. Left and right are the '
        "wearer's. Measure the printed bar before you cut by a sheet: a cut is final.</p>\n"
        f"{parts}\n</main>\n</body>\n</html>\n"
    )


def _section(case: Case, out: Path) -> str:
    title = f"<h2>{html.escape(case.title)}</h2>"
    if case.problem is not None:
        return f'<section class="problem">{title}<p>{html.escape(case.problem)}</p></section>'
    told = "".join(f"<li>{html.escape(line.strip())}</li>" for line in case.lines[1:])
    figures = "".join(
        f'<figure class="{shape}"><a href="{_link(case, name)}">'
        f'<img src="{_link(case, name)}" alt="{html.escape(caption)}" loading="lazy"></a>'
        f"<figcaption>{html.escape(caption)}</figcaption></figure>"
        for name, caption, shape in _PICTURES
        if (out / case.folder / name).exists()
    )
    again = (
        "<p>Measured again from its outlines, this does not hold:</p><ul>"
        + "".join(f"<li>{html.escape(each)}</li>" for each in case.findings)
        + "</ul>"
        if case.findings
        else '<p class="soft">Measured again from its outlines: all of it holds.</p>'
    )
    files = "".join(f'<a href="{_link(case, name)}">{word}</a>' for name, word in _FILES)
    return (
        f"<section{' class=problem' if case.findings else ''}>{title}"
        f'<p class="answer">{html.escape(case.lines[0])}</p>'
        f'<div class="pictures">{figures}</div>'
        f"<details><summary>All that it says</summary><ul>{told}</ul></details>{again}"
        f'<p class="files">{files}</p></section>'
    )


def _link(case: Case, name: str) -> str:
    from urllib.parse import quote

    return quote(f"{case.folder}/{name}")
