"""Files that stand whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fanstats.errors import FanstatsError

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["write_aside", "write_new"]


def write_aside(path: Path, write: Callable[[Path], Any]) -> Path:
    """Write a file under another name and move it into place once it is whole.

    Parameters
    ----------
    path : Path
        Where it is to stand.
    write : callable
        Writes to the path given to it.

    Returns
    -------
    Path
        `path`.
    """
    handle, name = tempfile.mkstemp(suffix=path.suffix, dir=path.parent)
    os.close(handle)
    aside = Path(name)
    try:
        write(aside)
        aside.chmod(0o644)
        aside.replace(path)
    finally:
        aside.unlink(missing_ok=True)
    return path


def write_new(path: Path, write: Callable[[Path], Any]) -> Path:
    """Write a file that must not exist yet.

    Parameters
    ----------
    path : Path
        Where it is to stand.
    write : callable
        Writes to the path given to it.

    Returns
    -------
    Path
        `path`.

    Raises
    ------
    FanstatsError
        If something stands there already, or nothing can be written there.
    """
    try:
        taken = path.exists() or path.is_symlink()
        if not taken:
            return write_aside(path, write)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        msg = f"`path` must be a place that can be written; {os.fspath(path)!r} cannot: {reason}."
        raise FanstatsError(msg) from error
    msg = f"`path` must be a new file; {os.fspath(path)!r} exists and was left as it is. Name"
    msg += " another one, or move it away."
    raise FanstatsError(msg)
