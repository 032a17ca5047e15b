"""Cautions that belong beside results and instructions."""

from __future__ import annotations

from typing import Final

__all__ = ["ABOUT_BENCH", "ABOUT_RESULTS"]

ABOUT_RESULTS: Final = (
    "Equal dBA is not equally pleasant: tones and rattles are not in the number.",
    "These are comparisons on one bench, no conformity statements and no safety ratings: ratings "
    "are the maker's, declarations an accredited laboratory's, and local codes prevail.",
)

ABOUT_BENCH: Final = (
    "Rotating blades: unplug before touching, keep fingers, hair and leads clear.",
    "Do not exceed the rated voltage; leave no stalled fan powered, and none on a hot component "
    "without a thermal cut-out.",
)
