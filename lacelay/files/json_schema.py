"""JSON Schema of our files, published in `schemas/`.

`python -m lacelay.files.json_schema` writes them anew after a form has changed.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import msgspec

from lacelay.files.forms_corrections import CorrectionsFile
from lacelay.files.forms_hand import HandFile
from lacelay.files.forms_lace import LaceFile
from lacelay.files.forms_plan import EXACT, PlanFile
from lacelay.files.forms_target import TargetFile
from lacelay.files.json_form import Form

FOLDER = Path(__file__).parent / "schemas"
_KINDS: dict[str, type[Form]] = {
    "lacelay-lace": LaceFile,
    "lacelay-edge": TargetFile,
    "lacelay-plan": PlanFile,
    "lacelay-corrections": CorrectionsFile,
    "lacelay-hand": HandFile,
}


def schemas() -> dict[str, str]:
    """Return the text of each schema, by file name."""
    return {f"{name}.schema.json": _text(name, kind) for name, kind in _KINDS.items()}


def _text(name: str, kind: type[Form]) -> str:
    schema: dict[str, Any] = msgspec.json.schema(kind)
    for part in EXACT.values():
        if part.__name__ in schema["$defs"]:
            schema["$defs"][part.__name__]["additionalProperties"] = False
    (top,) = (part for key, part in schema["$defs"].items() if key == kind.__name__)
    top["required"] = ["format", "version", *top["required"]]
    whole = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": name, **schema}
    return json.dumps(whole, indent=2, sort_keys=True, ensure_ascii=False) + "\n"


def main() -> None:
    """Write the schemas."""
    FOLDER.mkdir(exist_ok=True)
    for name, text in schemas().items():
        (FOLDER / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
