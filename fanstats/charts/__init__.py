"""Charts: each draws into the axes it is given and returns its artists; none computes anything."""

from fanstats.charts.comparison import DifferenceArtists, WhatIfArtists, difference, what_if
from fanstats.charts.curves import CurveArtists, noise_airflow
from fanstats.charts.pairs import PairArtists, RankArtists, pair_chances, rank_intervals
from fanstats.charts.ranges import Bars, Ranges, add_ranges
from fanstats.charts.ranked import RankedArtists, ranked, ranked_panels
from fanstats.charts.sources import BudgetArtists, ScatterArtists, budget_shares, unit_scatter

__all__ = [
    "Bars",
    "BudgetArtists",
    "CurveArtists",
    "DifferenceArtists",
    "PairArtists",
    "Ranges",
    "RankArtists",
    "RankedArtists",
    "ScatterArtists",
    "WhatIfArtists",
    "add_ranges",
    "budget_shares",
    "difference",
    "noise_airflow",
    "pair_chances",
    "rank_intervals",
    "ranked",
    "ranked_panels",
    "unit_scatter",
    "what_if",
]
