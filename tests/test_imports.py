"""Data flows down, imports point up: the house, held by reading every import."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "lacelay"

#: Which of our rooms each room may import, besides itself.
ROOMS = {
    "errors": set(),
    "units": {"errors"},
    "geometry": {"errors", "units"},
    "model": {"errors", "units", "geometry"},
    "correcting": {"errors", "units", "geometry", "model"},
    "reading": {"errors", "units", "geometry", "model", "correcting"},
    "rendering": {"errors", "units", "geometry", "model"},
    "planning": {"errors", "units", "geometry", "model"},
    "buying": {"errors", "units", "geometry", "model"},
    "drawing": {"errors", "units", "geometry", "model"},
    "files": {"errors", "units", "geometry", "model"},
    "lace_story": {"errors", "units", "model"},
    "workflow": {
        *("errors", "units", "model", "correcting", "reading", "rendering", "planning", "buying"),
        *("drawing", "files"),
    },
    "demonstration": {"errors", "units", "files", "workflow"},
    "cli": {"__init__", "errors", "units", "model", "workflow", "demonstration", "lace_story"},
    "__main__": {"cli"},
    "__init__": set(),
}

#: Which rooms may import each library.
LIBRARIES = {
    "numpy": {
        *("geometry", "model", "reading", "rendering", "planning", "buying", "drawing", "files"),
        "correcting",
    },
    "cv2": {"correcting", "reading", "rendering", "drawing", "planning"},
    "shapely": {
        *("geometry", "model", "reading", "rendering", "planning", "drawing", "files"),
        "correcting",
    },
    "skimage": {"reading", "planning"},
    "PIL": {"files", "drawing", "rendering"},
    "pi_heif": {"files"},
    "reportlab": {"drawing"},
    "svgelements": {"files"},
    "defusedxml": {"files"},
    "msgspec": {"files"},
    "highspy": {"planning", "buying"},
    "click": {"cli"},
}


def _modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def _room(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def _imported(path: Path) -> set[str]:
    """Every module named by an import statement, inside functions too."""
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            names.add(node.module or "")
            if node.module == "lacelay":
                names |= {f"lacelay.{alias.name}" for alias in node.names}
    return names


@pytest.mark.parametrize("path", _modules(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_every_import_is_allowed(path) -> None:
    room = _room(path)
    assert room in ROOMS, f"a new room: {room}"
    for name in _imported(path):
        top, *rest = name.split(".")
        if top == "lacelay":
            theirs = rest[0] if rest else "__init__"
            if theirs in ("__version__", "__init__"):
                theirs = "__init__" if room != "__init__" else room
            if name == "lacelay" and room != "cli":
                continue  # only names below it are taken, and those are looked at too
            assert theirs == room or theirs in ROOMS[room], f"{room} imports {name}"
        elif top not in sys.stdlib_module_names:
            assert top in LIBRARIES, f"a new library: {top}"
            assert room in LIBRARIES[top], f"{room} imports {top}"


def test_the_table_has_no_rooms_or_libraries_that_are_gone() -> None:
    assert set(ROOMS) == {_room(path) for path in _modules()}
    used = {name.split(".")[0] for path in _modules() for name in _imported(path)}
    assert set(LIBRARIES) - used <= {"highspy"}


def test_rooms_do_not_import_each_other_in_a_circle() -> None:
    below: dict[str, set[str]] = {}

    def reached(room: str, on_the_way: tuple[str, ...]) -> set[str]:
        assert room not in on_the_way, f"a circle: {on_the_way}"
        if room not in below:
            below[room] = set().union(
                *({other} | reached(other, (*on_the_way, room)) for other in ROOMS[room])
            )
        return below[room]

    for room in ROOMS:
        reached(room, ())


def test_modules_are_of_a_readable_size() -> None:
    for path in _modules():
        assert len(path.read_text(encoding="utf-8").splitlines()) <= 550, path
        assert path.stem not in ("utils", "helpers", "core", "manager"), path


@pytest.mark.parametrize(
    ("module", "absent"),
    [
        ("lacelay.cli", ["numpy", "cv2", "PIL", "shapely", "scipy", "skimage", "msgspec"]),
        ("lacelay.model.wishes", ["cv2", "shapely", "scipy", "PIL"]),
        ("lacelay.workflow", ["skimage", "reportlab", "cv2", "highspy"]),
    ],
)
def test_heavy_libraries_wait_until_they_are_needed(module, absent) -> None:
    question = f"import sys, {module}; print([m for m in {absent} if m in sys.modules])"
    answer = subprocess.run(
        [sys.executable, "-c", question], capture_output=True, text=True, check=True
    )
    assert answer.stdout.strip() == "[]"
