"""Record the pinned figures again: `python -m tests.pins.record [values draws ...]`.

Only where a pin moves for a reason; `moved.md` says it. Without names all files are recorded.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import fanstats
from tests.pins.cases import BENCHES, pinned
from tests.pins.figures import FILES

FOLDER = Path(__file__).parent


def load(file: str) -> dict[str, Any]:
    """Give what one file holds."""
    held: dict[str, Any] = json.loads((FOLDER / f"{file}.json").read_text(encoding="utf-8"))
    return held


def rounded(value: Any, digits: int) -> Any:
    """Keep so many significant digits of every number."""
    if isinstance(value, list):
        return [rounded(part, digits) for part in value]
    return float(f"{value:.{digits}g}") if isinstance(value, float) else value


def write(file: str, figures: dict[str, Any]) -> None:
    """Write one file, a figure a line, with more digits than are compared."""
    digits = 15 if file == "draws" else 12
    lines = [
        f" {json.dumps(key)}: {json.dumps(rounded(value, digits), allow_nan=False)}"
        for key, value in figures.items()
    ]
    text = "{\n" + ",\n".join(lines) + "\n}\n"
    (FOLDER / f"{file}.json").write_text(text, encoding="utf-8")


def main(names: Sequence[str]) -> None:
    """Work out every bench and write the files named."""
    wanted = [name.removesuffix(".json") for name in names] or list(FILES)
    strange = sorted(set(wanted) - set(FILES))
    if strange:
        msg = f"No such file: {', '.join(strange)}. Files: {', '.join(FILES)}."
        raise SystemExit(msg)
    made = [pinned(bench) for bench in BENCHES]
    sys.stdout.write(f"{fanstats.__file__}, {len(BENCHES)} benches\n")
    for file in wanted:
        figures = {key: value for one in made for key, value in one.found[file].items()}
        write(file, figures)
        sys.stdout.write(f"{file}: {len(figures)} figures\n")
    for one in made:
        for told in one.unread:
            sys.stdout.write(f"room or end unread, and not said: {one.bench}: {told}\n")


if __name__ == "__main__":
    main(sys.argv[1:])
