"""Say whether a gap between cooling fans at equal noise is larger than one sample's luck.

>>> import fanstats as fs
>>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=1000, rng=1)
>>> estimates.airflow.dims
('scope', 'model', 'obstruction', 'draw')
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

from fanstats import demo, formatting, instruments, levels
from fanstats.decisions.changes import changes
from fanstats.decisions.chart_agreement import chart_agreement
from fanstats.decisions.combine_charts import combine_charts
from fanstats.decisions.compare import compare
from fanstats.decisions.crossing import crossing
from fanstats.decisions.curve_bands import difference_band, noise_airflow_band
from fanstats.decisions.equivalence import equivalent, good_enough
from fanstats.decisions.extra_cost import extra_cost
from fanstats.decisions.families import compare_all_pairs, compare_with_best, compare_with_one
from fanstats.decisions.from_chart import from_chart
from fanstats.decisions.mixed import mix, mixed_estimates
from fanstats.decisions.model_curves import curve_band
from fanstats.decisions.pooled_slope import pooled_slope
from fanstats.decisions.power_law import power_law
from fanstats.decisions.rank import Ranking, rank
from fanstats.decisions.rank_levels import rank_levels
from fanstats.decisions.reach import reach
from fanstats.decisions.retest import retest
from fanstats.decisions.several import several_against_one
from fanstats.decisions.value_for_money import value_for_money
from fanstats.decisions.verdict import Comparison
from fanstats.decisions.weights import weight_dependence
from fanstats.decisions.what_if import what_if
from fanstats.errors import FanstatsError, FanstatsWarning
from fanstats.face import equal_drive, equal_noise, equal_speed
from fanstats.instruments import split_both_ways
from fanstats.loading.bench_file import read_bench
from fanstats.loading.describe import describe
from fanstats.loading.readings import load_report, read_readings
from fanstats.output.bench_template import write_bench_template
from fanstats.output.page import write_page
from fanstats.output.summaries import summary
from fanstats.output.template import write_template
from fanstats.planning import life
from fanstats.planning.plan import NextUnits, UnitsPlan, plan_next, plan_units
from fanstats.planning.samples import (
    units_for_gap,
    units_for_half_width,
    units_for_models,
    units_for_spread,
)
from fanstats.planning.sequential import plan_looks
from fanstats.planning.tolerance import (
    distribution_free_interval,
    distribution_free_units,
    prediction_interval,
    tolerance_interval,
)
from fanstats.planning.value import plan_value
from fanstats.propagation.both_ways import both_ways, compare_both_ways, rank_both_ways
from fanstats.propagation.budget import budget
from fanstats.propagation.effect_tables import contributions, covariance, first_order_interval
from fanstats.propagation.first_order import first_order
from fanstats.propagation.interop import from_covariance, from_uncertainties, to_uncertainties
from fanstats.propagation.linear_draws import as_draws
from fanstats.propagation.monte_carlo import coverage_interval, monte_carlo_errors
from fanstats.propagation.roads import compare_roads
from fanstats.propagation.stability import until_stable
from fanstats.sources import (
    Bench,
    Correction,
    Instrument,
    Source,
    UnitSpread,
    expanded,
    half_width,
    standard,
)
from fanstats.spread.conformity import conformity
from fanstats.spread.control_range import control_range
from fanstats.spread.critical import critical_difference, critical_range
from fanstats.spread.declared import declared_value, verify_declared
from fanstats.spread.luck_needed import luck_needed
from fanstats.spread.repeatability import plan_repeatability
from fanstats.spread.rig_bridge import bridge_rigs
from fanstats.spread.session_shifts import session_shifts
from fanstats.spread.siblings import unlike_siblings
from fanstats.spread.trends import trends
from fanstats.spread.type_a import repeatability, with_repeatability
from fanstats.spread.unit_spread import SpreadEstimate, unit_spread
from fanstats.spread.variance_components import variance_components

if TYPE_CHECKING:
    from fanstats import charts

__version__ = "0.1.0"

__all__ = [
    "Bench",
    "Comparison",
    "Correction",
    "FanstatsError",
    "FanstatsWarning",
    "Instrument",
    "NextUnits",
    "Ranking",
    "Source",
    "SpreadEstimate",
    "UnitSpread",
    "UnitsPlan",
    "as_draws",
    "both_ways",
    "bridge_rigs",
    "budget",
    "changes",
    "chart_agreement",
    "charts",
    "combine_charts",
    "compare",
    "compare_all_pairs",
    "compare_both_ways",
    "compare_roads",
    "compare_with_best",
    "compare_with_one",
    "conformity",
    "contributions",
    "control_range",
    "covariance",
    "coverage_interval",
    "critical_difference",
    "critical_range",
    "crossing",
    "curve_band",
    "declared_value",
    "demo",
    "describe",
    "difference_band",
    "distribution_free_interval",
    "distribution_free_units",
    "equal_drive",
    "equal_noise",
    "equal_speed",
    "equivalent",
    "expanded",
    "extra_cost",
    "first_order",
    "first_order_interval",
    "formatting",
    "from_chart",
    "from_covariance",
    "from_uncertainties",
    "good_enough",
    "half_width",
    "instruments",
    "levels",
    "life",
    "load_report",
    "luck_needed",
    "mix",
    "mixed_estimates",
    "monte_carlo_errors",
    "noise_airflow_band",
    "plan_looks",
    "plan_next",
    "plan_repeatability",
    "plan_units",
    "plan_value",
    "pooled_slope",
    "power_law",
    "prediction_interval",
    "rank",
    "rank_both_ways",
    "rank_levels",
    "reach",
    "read_bench",
    "read_readings",
    "repeatability",
    "retest",
    "session_shifts",
    "several_against_one",
    "split_both_ways",
    "standard",
    "summary",
    "to_uncertainties",
    "tolerance_interval",
    "trends",
    "unit_spread",
    "units_for_gap",
    "units_for_half_width",
    "units_for_models",
    "units_for_spread",
    "unlike_siblings",
    "until_stable",
    "value_for_money",
    "variance_components",
    "verify_declared",
    "weight_dependence",
    "what_if",
    "with_repeatability",
    "write_bench_template",
    "write_page",
    "write_template",
]


def __getattr__(name: str) -> Any:
    if name == "charts":  # matplotlib is slow to import, and most calls draw nothing
        return importlib.import_module("fanstats.charts")
    msg = f"module 'fanstats' has no attribute {name!r}"
    raise AttributeError(msg)
