"""Imports run one way: a room of the package never imports from a room above it."""

import ast
from pathlib import Path

import fanstats

# From the ground up; DEVELOPERS.md says what each is for.
ROOMS = [
    *("_typing", "errors", "_arguments", "quantities", "number_format", "formatting", "wording"),
    *("progress", "cautions", "whole_files", "exports", "tabled"),
    *("sources", "levels", "instruments", "loading", "demo"),
    *(
        "engine",
        "asked",
        "assumed",
        "face",
        "decisions",
        "propagation",
        "spread",
        "planning",
        "charts",
        "output",
    ),
    "__main__",
]
PACKAGE = Path(fanstats.__file__).parent


def imported_rooms(source: str) -> set[str]:
    """The rooms a module's source imports from, those of type checking and functions included."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.ImportFrom) or not (node.module or "").startswith("fanstats"):
            continue
        inside = (node.module or "").split(".")[1:]
        found |= {inside[0]} if inside else {alias.name for alias in node.names}
    return found


def private_names(source: str) -> set[str]:
    """Names with a leading underscore that a module takes from another of the package."""
    return {
        f"{node.module}.{alias.name}"
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("fanstats")
        for alias in node.names
        if alias.name.startswith("_")
    }


def test_upward_import_is_seen():
    """The reader of imports finds one inside a function as well as one at the top."""
    assert imported_rooms("def f():\n    from fanstats.charts import ranked") == {"charts"}
    assert imported_rooms("from fanstats import demo, levels") == {"demo", "levels"}
    assert private_names("from fanstats.draws import _mix") == {"fanstats.draws._mix"}


def test_every_room_is_listed_and_imports_only_from_below():
    """No module imports upward, and a new room must be given its place."""
    upward = []
    for path in PACKAGE.rglob("*.py"):
        inside = path.relative_to(PACKAGE).with_suffix("").parts
        if inside == ("__init__",):
            continue
        assert inside[0] in ROOMS, f"{path}: this room has no place yet"
        place = ROOMS.index(inside[0])
        found = imported_rooms(path.read_text(encoding="utf-8"))
        upward += [f"{path}: {room}" for room in found if ROOMS.index(room) > place]
    assert upward == []


def test_no_module_takes_private_names_of_another():
    """What two modules share has a public name in one of them."""
    taken = {
        name for path in PACKAGE.rglob("*.py") for name in private_names(path.read_text("utf-8"))
    }
    assert taken == set()
