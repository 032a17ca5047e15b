"""Charts: each draws into the axes it is given and returns its artists; none computes anything."""

from fanstats.charts.comparison import DifferenceArtists, WhatIfArtists, difference, what_if
from fanstats.charts.curves import CurveArtists, curve, noise_airflow
from fanstats.charts.pairs import PairArtists, RankArtists, pair_chances, rank_intervals
from fanstats.charts.planning import PowerArtists, power_and_cost
from fanstats.charts.price import PriceArtists, price_performance
from fanstats.charts.ranges import Bars, Ranges, add_ranges
from fanstats.charts.ranked import RankedArtists, ranked, ranked_panels
from fanstats.charts.second_test import SecondTestArtists, second_test
from fanstats.charts.sources import BudgetArtists, ScatterArtists, budget_shares, unit_scatter

__all__ = [
    "Bars",
    "BudgetArtists",
    "CurveArtists",
    "DifferenceArtists",
    "PairArtists",
    "PowerArtists",
    "PriceArtists",
    "Ranges",
    "RankArtists",
    "RankedArtists",
    "ScatterArtists",
    "SecondTestArtists",
    "WhatIfArtists",
    "add_ranges",
    "budget_shares",
    "curve",
    "difference",
    "noise_airflow",
    "pair_chances",
    "power_and_cost",
    "price_performance",
    "rank_intervals",
    "ranked",
    "ranked_panels",
    "second_test",
    "unit_scatter",
    "what_if",
]
