"""Puts a table that a benchmark made between its two marks in README."""

from __future__ import annotations

import sys
from pathlib import Path

README = Path(__file__).parents[1] / "README.md"


def put(name: str, table: str, page: Path = README) -> None:
    """Replace what stands between ``<!-- name -->`` and ``<!-- end of name -->``."""
    text = page.read_text(encoding="utf-8")
    first, last = f"<!-- {name} -->\n", f"<!-- end of {name} -->"
    if text.count(first) != 1 or text.count(last) != 1:
        sys.exit(f"{page} must hold {first.strip()} and {last} once each.")
    before, rest = text.split(first)
    _, after = rest.split(last)
    page.write_text(f"{before}{first}{table.rstrip()}\n{last}{after}", encoding="utf-8")
