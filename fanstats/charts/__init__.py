"""Charts: each draws into the axes it is given and returns its artists; none computes anything."""

from fanstats.charts.ranges import Bars, Ranges, add_ranges
from fanstats.charts.ranked import RankedArtists, ranked, ranked_panels

__all__ = [
    "Bars",
    "Ranges",
    "RankedArtists",
    "add_ranges",
    "ranked",
    "ranked_panels",
]
