"""Run every notebook here from top to bottom; with --write, store its outputs too."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import nbformat
from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError

HERE = Path(__file__).parent


def _join_streams(cell: nbformat.NotebookNode) -> None:
    """Make one output of text that came in several pieces: where it breaks is chance."""
    joined: list[nbformat.NotebookNode] = []
    for output in cell.get("outputs", []):
        last = joined[-1] if joined else None
        if last is not None and last.get("name") == output.get("name") == "stdout":
            last["text"] += output["text"]
        else:
            joined.append(output)
    if "outputs" in cell:
        cell["outputs"] = joined


def main() -> int:
    """Execute the notebooks; give the number that failed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--write", action="store_true", help="store the outputs")
    parser.add_argument("names", nargs="*", help="notebooks; all by default")
    options = parser.parse_args()
    paths = [HERE / name for name in options.names] or sorted(HERE.glob("*.ipynb"))
    failed = 0
    for path in paths:
        notebook = nbformat.read(path, as_version=4)
        client = NotebookClient(notebook, timeout=120, resources={"metadata": {"path": str(HERE)}})
        try:
            client.execute()
        except CellExecutionError as error:
            failed += 1
            sys.stdout.write(f"{path.name}: failed\n{error}\n")
            continue
        sys.stdout.write(f"{path.name}: ran\n")
        if options.write:
            for cell in notebook.cells:
                cell.metadata.pop("execution", None)
                _join_streams(cell)
            nbformat.write(notebook, path)
    return failed


if __name__ == "__main__":
    sys.exit(main())
