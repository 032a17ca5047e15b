"""The one place that calls the library: plain numbers, lists and words come back.

What is asked of the library may be called otherwise one day; then this file changes, and neither
the benches nor the numbers do. Handles (readings, benches, estimates) are passed through unopened.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr
from uncertainties import covariance_matrix

import fanstats as fs

SCOPES = ("tested unit", "model", "next unit")
FIRST_DRAWS = 4
# The four kinds of luck of one sample.
KINDS = ("speed", "noise", "airflow", "temperature")

Row = dict[str, Any]
Where = tuple[str, str]


def plain(given: Any) -> Any:
    """Turn what the library gives into numbers, words and lists that a JSON file holds."""
    if isinstance(given, (str, bool)) or given is None:
        return given
    if isinstance(given, xr.DataArray):
        return plain(given.to_numpy())
    if isinstance(given, (np.ndarray, pd.Series)):
        return plain(given.tolist())
    if isinstance(given, Mapping):
        return {str(key): plain(part) for key, part in given.items()}
    if isinstance(given, (list, tuple, set, frozenset)):
        return [plain(part) for part in given]
    if given is pd.NA:
        return "nan"
    if isinstance(given, np.bool_):
        return bool(given)
    if isinstance(given, (int, np.integer)):
        return int(given)
    number = float(given)
    return number if math.isfinite(number) else str(number)


def columns(table: pd.DataFrame, names: Sequence[str]) -> Row:
    """Give some columns of a table, in the order of its rows."""
    return {name: plain(table[name]) for name in names}


def by_key(table: pd.DataFrame, key: Sequence[str], names: Sequence[str]) -> dict[str, Row]:
    """Give some columns row by row, each row under what names it; namesakes are numbered."""
    found: dict[str, Row] = {}
    for row in table.to_dict("records"):
        name = ", ".join(str(row[part]) for part in key if str(row[part]))
        again = sum(held == name or held.startswith(f"{name} #") for held in found)
        found[f"{name} #{again + 1}" if again else name] = {n: plain(row[n]) for n in names}
    return found


# What is stated and read -----------------------------------------------------------------------


def read(table: pd.DataFrame, **options: Any) -> Any:
    """Read a table of bench readings."""
    return fs.read_readings(table, **options)


def demo_readings(models: Sequence[str] | None = None) -> Any:
    """Give the packaged readings, of some models alone where they are named."""
    readings = fs.demo.readings()
    if models is None:
        return readings
    return readings.isel(row=np.flatnonzero(np.isin(readings["model"].to_numpy(), list(models))))


def demo_bench() -> Any:
    """Give the packaged bench."""
    return fs.demo.bench()


# Estimates -------------------------------------------------------------------------------------


def estimate(
    readings: Any, bench: Any, held: str, at: Any, *, draws: int, rng: int, **options: Any
) -> Any:
    """Read every model off at one noise level, drive or speed (`held`)."""
    ask = {"noise": fs.equal_noise, "drive": fs.equal_drive, "speed": fs.equal_speed}[held]
    return ask(readings, at, bench=bench, draws=draws, rng=rng, **options)


def from_chart(
    values: Mapping[str, Any], bench: Any, *, draws: int, rng: int, **options: Any
) -> Any:
    """Make estimates of one number a model."""
    return fs.from_chart(values, bench=bench, draws=draws, rng=rng, **options)


def combined(charts: Mapping[str, Any], **options: Any) -> Any:
    """Make one chart of several."""
    return fs.combine_charts(charts, **options)


def chart_agreement(estimates: Any, **where: Any) -> Row:
    """Say how far charts agree that were made into one."""
    found = fs.chart_agreement(estimates, **where)
    names = ("tau", "tau_low", "tau_high", "chi_squared", "dof", "p_value", "birge_ratio")
    return {name: plain(getattr(found, name)) for name in names}


def at_level(estimates: Any, level: float) -> Any:
    """Pick one of several noise levels."""
    return estimates.sel(level=level)


def pooled(estimates: Any) -> Any:
    """Give what a later question takes over: the reference room and the choice of curve."""
    return estimates.attrs["pooled"]


def models(estimates: Any) -> list[str]:
    """Name the models of a chart."""
    return [str(name) for name in estimates["model"].values]


def quantities(estimates: Any) -> list[str]:
    """Name what was read off."""
    return [str(name).removesuffix("_value") for name in estimates if str(name).endswith("_value")]


def cells(estimates: Any) -> dict[tuple[str, str, str], Row]:
    """Give value, state, shares and first draws by (quantity, model, obstruction), over scopes."""
    found = {}
    for key, part in _cells_of(estimates):
        name = key[0]
        drawn = part[name].transpose("scope", "draw").to_numpy()
        found[key] = {
            "value": plain(part[f"{name}_value"]),
            "state": plain(part[f"{name}_status"]),
            "share below": plain(part[f"{name}_share_below"]),
            "share above": plain(part[f"{name}_share_above"]),
            "draws": plain(drawn[:, :FIRST_DRAWS]),
        }
    return found


def _cells_of(estimates: Any) -> list[tuple[tuple[str, str, str], Any]]:
    found = []
    for name in quantities(estimates):
        behind = "obstruction" in estimates[f"{name}_value"].dims
        for model in models(estimates):
            one = estimates.sel(model=model)
            for place in plain(estimates["obstruction"]) if behind else [""]:
                part = one.sel(obstruction=place) if behind else one
                found.append(((name, model, place), part))
    return found


def counts(estimates: Any) -> Row:
    """Count samples and readings behind each model; say why one is missing."""
    found = {
        "models": models(estimates),
        "samples tested": plain(estimates["units_tested"]),
        "state of models": plain(estimates["status"]),
    }
    if "readings_behind" in estimates.coords:
        found["readings behind"] = plain(estimates["readings_behind"])
    for name in quantities(estimates):
        found[f"unit of {name}"] = plain(estimates[f"{name}_value"].attrs["units"])
        if f"{name}_units" in estimates:
            found[f"samples behind {name}"] = plain(estimates[f"{name}_units"])
    return found


def ends(estimates: Any, probability: float = 0.95) -> dict[tuple[str, str, str], Row]:
    """Give ranges and standard uncertainties of all draws, over scopes."""
    table = fs.summary(estimates, probability=probability)
    found: dict[tuple[str, str, str], Row] = {}
    for scope in SCOPES:
        for row in table[table["scope"] == scope].to_dict("records"):
            key = (row["quantity"], row["model"], row["obstruction"])
            held = found.setdefault(key, {"range": [], "u": []})
            held["range"].append([plain(row["low"]), plain(row["high"])])
            held["u"].append(plain(row["standard_uncertainty"]))
    return found


def monte_carlo_errors(estimates: Any, quantity: str) -> Any:
    """Give the Monte Carlo errors of mean, u, low and high of one quantity."""
    return plain(fs.monte_carlo_errors(estimates)[quantity].sel(scope="model"))


def until_stable(readings: Any, bench: Any, level: float, *, rng: int, most: int) -> Row:
    """Double the draws until the printed digits stand still, or there are too many."""

    def make(*, draws: int, rng: int) -> Any:
        return fs.equal_noise(readings, level, bench=bench, draws=draws, rng=rng)

    found = fs.until_stable(make, rng=rng, most=most)
    return {
        "draws taken": found.draws,
        "stands still": plain(found.stable),
        "slowest figure": found.slowest,
        "ratio to its tolerance": plain(found.ratio),
    }


# First order -----------------------------------------------------------------------------------


def first_order(readings: Any, bench: Any, held: str, at: float, **options: Any) -> Any:
    """Answer the question of `estimate` by sensitivities."""
    return fs.first_order(readings, bench=bench, **_held(held, at, options))


def _held(held: str, at: float, options: Mapping[str, Any]) -> Row:
    asked = {"drive_units" if name == "units" else name: each for name, each in options.items()}
    return {"level" if held == "noise" else held: at, **asked}


def first_order_cells(found: Any) -> dict[tuple[str, str, str], Row]:
    """Give values, standard uncertainties and effective degrees of freedom, over scopes."""
    given = {}
    for key, part in _cells_of(found):
        given[key] = {
            "value": plain(part[f"{key[0]}_value"]),
            "u": plain(part[f"{key[0]}_standard_uncertainty"]),
            "dof": plain(part[f"{key[0]}_dof"]),
        }
    return given


def covariance(found: Any, quantity: str, obstruction: str | None, scope: str) -> Any:
    """Give the covariance of all models."""
    return plain(fs.covariance(found, quantity, obstruction=obstruction, scope=scope))


def first_order_interval(found: Any, quantity: str) -> Any:
    """Give the interval to first order, over the dimensions of the value."""
    return plain(fs.first_order_interval(found, quantity))


def first_order_draws(found: Any, quantity: str, *, draws: int, rng: int) -> Any:
    """Draw a first-order result as if all errors acted in proportion."""
    drawn = fs.as_draws(found, draws=draws, rng=rng)[quantity]
    return plain(drawn.isel(draw=slice(FIRST_DRAWS)))


def budget(readings: Any, bench: Any, held: str, at: float, **options: Any) -> dict[str, Row]:
    """List what an uncertainty is made of, row by row; sensitivities without their signs.

    A row of several errors has no sign, and rounding says whether a row is of one error alone.
    """
    table = _felt(fs.budget(readings, bench=bench, **_held(held, at, options)))
    table = table.assign(sensitivity=table["sensitivity"].abs())
    names = ["standard_uncertainty", "sensitivity", "contribution", "dof", "share"]
    names += [name for name in ("in_first", "in_second", "cancelled") if name in table]
    return by_key(table, ["component"], names)


def _felt(table: pd.DataFrame) -> pd.DataFrame:
    """Leave out rows that hold a rounding error, but for those that are said to cancel."""
    sizes = table[[name for name in ("contribution", "in_first", "in_second") if name in table]]
    felt = sizes.max(axis=1) > 1e-9 * table["contribution"].max()
    return table[felt | table["source"].str.contains("cancels")]


def interop(found: Any, quantity: str, obstruction: str | None, scope: str) -> Row:
    """Hand a first-order result to the package `uncertainties`, and take it back."""
    numbers = fs.to_uncertainties(found, quantity, obstruction=obstruction, scope=scope)
    back = fs.from_uncertainties(numbers, quantity=quantity, units="m/s")
    held = list(numbers.values())
    return {
        "nominal values": plain([number.nominal_value for number in held]),
        "standard deviations": plain([number.std_dev for number in held]),
        "covariance matrix": plain(covariance_matrix(held)),
        "u taken back": plain(back[f"{quantity}_standard_uncertainty"]),
    }


def from_covariance(
    values: Mapping[str, float], matrix: Any, *, draws: int, rng: int
) -> tuple[Any, Row]:
    """Make estimates of values with a covariance."""
    found = fs.from_covariance(values, covariance=matrix, quantity="airflow", units="m/s")
    drawn = fs.as_draws(found, draws=draws, rng=rng)
    told = {
        "u": plain(found["airflow_standard_uncertainty"]),
        "draws": plain(drawn["airflow"].isel(draw=slice(FIRST_DRAWS))),
    }
    return drawn, told


def roads(found: Any, estimates: Any) -> Row:
    """Say result by result whether first order may be trusted."""
    table = fs.compare_roads(found, estimates)
    return by_key(
        table, ["quantity", "model", "obstruction", "scope"], ["verdict", "trusted", "tolerance"]
    )


# Two models ------------------------------------------------------------------------------------


def compare(estimates: Any, first: str, second: str, **options: Any) -> Row:
    """Compare two models."""
    return _compared(fs.compare(estimates, first, second, **options))


def _compared(found: Any) -> Row:
    needed = found.spread_needed
    return {
        "values": plain(found.values),
        "difference": plain(found.difference.value),
        "ratio": plain(found.ratio.value),
        "tested difference": plain(found.tested.value),
        "samples tested": plain(found.units_tested),
        "judged among": plain(found.judged_among),
        "u": plain(found.difference.standard_uncertainty),
        "range": plain([found.difference.low, found.difference.high]),
        "errors of the range": plain([found.difference.low_error, found.difference.high_error]),
        "range of the ratio": plain([found.ratio.low, found.ratio.high]),
        "range of the pair": plain(found.coverage_interval(0.9)),
        "tested u": plain(found.tested.standard_uncertainty),
        "tested range": plain([found.tested.low, found.tested.high]),
        "critical difference": plain(found.critical_difference),
        "verdict": found.verdict,
        "who": found.who,
        "odds": _odds(found.odds),
        "odds of typical samples": _odds(found.odds_typical),
        "odds of bought samples": _odds(found.odds_bought),
        "too close": plain(found.too_close),
        "against the margin": found.against_margin,
        "spread needed": plain([needed.factor, needed.unit_sd, needed.noise_db]),
        "multiplier of the spread needed": plain(needed.multiplier),
    }


def _odds(odds: Any) -> list[Any]:
    return plain([odds.first_ahead, odds.label, odds.standard_error, odds.models])


def what_if(estimates: Any, first: str, second: str, **options: Any) -> Row:
    """Give the verdict for a range of spreads."""
    table = fs.what_if(estimates, first, second, **options)
    given = table.drop(columns=["noise", "left_out"])
    told = {name: plain(table.attrs[name]) for name in ("changes_at", "covered_to")}
    return columns(given, list(given)) | told


def good_enough(estimates: Any, first: str, second: str, **options: Any) -> Row:
    """Say whether the first falls short of the second by less than a margin."""
    return _equivalence(fs.good_enough(estimates, first, second, **options))


def equivalent(estimates: Any, first: str, second: str, **options: Any) -> Row:
    """Say whether two models differ by less than a margin."""
    return _equivalence(fs.equivalent(estimates, first, second, **options))


def _equivalence(found: Any) -> Row:
    return {
        "difference": plain(found.difference),
        "u": plain(found.standard_uncertainty),
        "smallest margin": plain([found.smallest_margin, found.smallest_margin_tested]),
        "verdict": found.verdict,
        "p": plain([found.p_low, found.p_high, found.p_error]),
        "too close": plain(found.too_close),
        "chances": plain([found.chance_typical, found.chance_bought, found.label]),
    }


def several_against_one(
    readings: Any, bench: Any, level: float, several: str, one: str, **options: Any
) -> Row:
    """Hold several fans of one model against one of another."""
    table = fs.several_against_one(readings, level, several, one, bench=bench, **options).table
    return columns(table, [name for name in table if name not in ("paid", "paid_one", "extra")])


def extra_cost(estimates: Any, first: str, second: str, **options: Any) -> Row:
    """Say what each extra unit of the dearer of two costs."""
    found = fs.extra_cost(estimates, first, second, **options)
    return {
        "cheaper and dearer": [found.cheaper, found.dearer],
        "extra paid": plain([*found.paid, found.extra]),
        "gain": plain(found.gain),
        "range of the gain": plain([found.gain_low, found.gain_high]),
        "price of a unit": plain(found.per_unit),
        "range of the price": plain([found.per_unit_low, found.per_unit_high]),
        "state": found.state,
        "chances": plain([found.chance_as_good_typical, found.chance_as_good_bought, found.label]),
    }


# All models ------------------------------------------------------------------------------------


def _in_order_of(table: pd.DataFrame, order: Sequence[str]) -> pd.DataFrame:
    return table.set_index("model").reindex(list(order))


def rank(estimates: Any, **options: Any) -> Row:
    """Put all models in order; columns in the order of the estimates."""
    found = fs.rank(estimates, **options)
    table = _in_order_of(found.table, models(estimates))
    near = found.closest_call()
    return {
        "unranked": plain(list(found.unranked)),
        "band": plain(table[["band_low", "band_high"]].to_numpy()),
        "range": plain(table[["low", "high"]].to_numpy()),
        "multiplier": plain(found.multiplier),
        "order": plain(found.ranked),
        "places": plain(table["place"]),
        "chance of being best": plain(table["chance_best"]),
        "places likely": plain([_pair(table, "rank_low"), _pair(table, "rank_high")]),
        "places certain": plain([_pair(table, "guaranteed_low"), _pair(table, "guaranteed_high")]),
        "groups": plain(found.groups),
        "label": found.label,
        "chances of pairs": plain(found.pair_chances),
        "chances of places": plain(found.rank_probabilities),
        "settled": plain(found.settled),
        "closest call": None if near is None else plain(near),
        "too close": plain(found.too_close),
    }


def _pair(table: pd.DataFrame, name: str) -> list[Any]:
    return [plain(cell) for cell in table[name].astype(object)]


def rank_levels(estimates: Any, **options: Any) -> Row:
    """Rank all models at several noise levels."""
    found = fs.rank_levels(estimates, **options)
    rows = by_key(
        found.table, ["level", "model"], ["place", "may_be_best", "low", "high", "chance_best"]
    )
    return {
        "places": {key: [row["place"], row["may_be_best"]] for key, row in rows.items()},
        "ranges": {key: [row["low"], row["high"]] for key, row in rows.items()},
        "chances of being best": {key: row["chance_best"] for key, row in rows.items()},
        "turns": plain(found.turns),
        "always may be best": plain(found.always),
    }


def family(estimates: Any, kind: str, reference: str | None = None, **options: Any) -> Row:
    """Compare all pairs, every model with the best, or every model with one."""
    if kind == "one":
        found = fs.compare_with_one(estimates, str(reference), **options)
    else:
        ask = {"all": fs.compare_all_pairs, "best": fs.compare_with_best}[kind]
        found = ask(estimates, **options)
    rows = by_key(found.table, ["model", "against"], [str(name) for name in found.table])

    def each(*names: str) -> Row:
        return {key: [row[name] for name in names] for key, row in rows.items()}

    return {
        "differences": each("difference", "ratio"),
        "ranges": each("low", "high", "ratio_low", "ratio_high"),
        "multiplier": plain(found.multiplier),
        "p values": each("p_adjusted", "p_error", "too_close"),
        "chances": each("chance"),
        "verdicts": each("verdict"),
        "groups": plain(found.groups),
    }


def retest(estimates: Any, **options: Any) -> Row:
    """Predict how a second test would come out."""
    found = fs.retest(estimates, **options)
    table = _in_order_of(found.table, models(estimates))
    return {
        "expected": plain(table["expected"]),
        "range": plain(table[["low", "high"]].to_numpy()),
        "places": plain([_pair(table, "place_low"), _pair(table, "place_high")]),
        "chance of first place": plain(table["chance_first"]),
        "chance among the top": plain(table["chance_top"]),
        "chance that first, top, top in order, order stay": plain(
            [found.first_stays, found.top_stays, found.top_in_order, found.order_stays]
        ),
        "chances of neighbours": columns(found.pairs, ["ahead", "behind", "chance"]),
        "label": found.label,
    }


def mix(estimates: Any, weights: Mapping[Any, Any], **options: Any) -> Row:
    """Mix several criteria into one number a model."""
    drawn = fs.mix(estimates, weights, **options)
    made = fs.mixed_estimates(estimates, weights, **options)
    (name,) = quantities(made)
    depends = fs.weight_dependence(estimates, weights, **options)
    table = _in_order_of(depends.table, models(estimates))
    return {
        "value": plain(made[f"{name}_value"].squeeze()),
        "draws": plain(drawn.isel(draw=slice(FIRST_DRAWS))),
        "dependence on weights": plain(table[["share_first"]].to_numpy().ravel()),
        "dependence of places": plain([_pair(table, "place_low"), _pair(table, "place_high")]),
    }


def value_for_money(estimates: Any, prices: Mapping[str, Any], **options: Any) -> Row:
    """Hold what models give against what they cost."""
    found = fs.value_for_money(estimates, prices, **options)
    table = _in_order_of(found.table, models(estimates))
    chances = {"chance unbeaten": plain(found.chance_unbeaten), "label": found.label}
    return {"table": {str(name): _pair(table, name) for name in table}} | chances


def changes(old: Any, new: Any, **options: Any) -> Row:
    """Go through what an old result let anybody say."""
    found = fs.changes(old, new, **options)
    rows = by_key(found.table, ["kind", "first", "second"], ["before", "now", "outcome"])
    chances = by_key(found.table, ["kind", "first", "second"], ["chance_before", "chance_now"])
    return {
        "places and values": columns(
            found.models, [name for name in found.models if name != "status"]
        ),
        "outcomes": {key: list(row.values()) for key, row in rows.items()},
        "chances": {key: list(row.values()) for key, row in chances.items()},
    }


# Limits that nobody split ----------------------------------------------------------------------


def both_ways(
    readings: Any, bench: Any, level: float, first: str, second: str, *, draws: int, rng: int,
    **where: Any,
) -> Row:  # fmt: skip
    """Make estimates with unsplit limits shared and as each model's own; compare and rank."""

    def make(*, bench: Any, rng: int) -> Any:
        return fs.equal_noise(readings, level, bench=bench, draws=draws, rng=rng)

    both = fs.both_ways(make, bench, rng=rng)
    pair = fs.compare_both_ways(both, first, second, **where)
    order = fs.rank_both_ways(both, **where)
    return {
        "u shared and own": [
            {f"{q}, {m}, {o}".strip(", "): part["u"] for (q, m, o), part in ends(each).items()}
            for each in (both.shared, both.model)
        ],
        "verdict": [pair.verdict, pair.who, plain(pair.stands), plain(pair.decided_by)],
        "verdicts": [pair.shared.verdict, pair.model.verdict],
        "largest own share": plain(pair.largest_own),
        "settled": plain(order.settled),
        "apart": plain(order.apart),
        "in doubt": plain(order.in_doubt),
    }


# Curves ----------------------------------------------------------------------------------------


def curve_band(readings: Any, bench: Any, at: Sequence[float], **options: Any) -> Row:
    """Give one quantity of some models over another, with its ranges."""
    found = fs.curve_band(readings, at, bench=bench, **options)
    name = str(found.attrs["of"])
    return {
        "values": plain(found[f"{name}_value"]),
        "states": plain(found[f"{name}_status"]),
        "states of the ends": plain(found[f"{name}_ends"]),
        "ranges": plain(found[name]),
        "simultaneous ranges": plain(found[f"{name}_simultaneous"]),
        "multipliers": plain(found[f"{name}_multiplier"]),
    }


def difference_band(
    readings: Any, bench: Any, first: str, second: str, levels: Sequence[float], **options: Any
) -> Row:
    """Give how much more air one model moves than another, and where their curves cross."""
    band = fs.difference_band(readings, first, second, levels, bench=bench, **options)
    found = fs.crossing(band)
    return {
        "ratios": plain(band["ratio_value"]),
        "states": plain(band["ratio_status"]),
        "ranges": plain(band["ratio"]),
        "simultaneous ranges": plain(band["ratio_simultaneous"]),
        "crossings": plain([point.level for point in found.points]),
        "ranges of the crossings": plain([[point.low, point.high] for point in found.points]),
        "ahead above the crossings": plain([point.ahead_above for point in found.points]),
        "settled": plain(
            [found.settled_from, found.ahead_loud, found.settled_to, found.ahead_quiet]
        ),
        "settled everywhere": plain(found.everywhere),
        "chances of no, one, more crossings": plain([found.never, found.once, found.often]),
    }


def reach(readings: Any, bench: Any, level: float, *, draws: int, rng: int, **options: Any) -> Row:
    """Say of every model whether it reaches a level, and how far it is from it."""
    table = fs.reach(readings, level, bench=bench, draws=draws, rng=rng, **options)
    names = ["model", "quietest", "loudest", "distance", "highest_drive", "status"]
    return columns(table, [*names, "share_short"])


def power_law(readings: Any, bench: Any, model: str, **options: Any) -> Row:
    """Fit one power law to all steps of a model."""
    found = fs.power_law(readings, model, bench=bench, **options)
    return {
        "exponent": plain([found.exponent, found.standard_uncertainty, found.low, found.high]),
        "chi-squared, dof, p": plain(
            [found.chi_squared, found.dof, found.denominator_dof, found.p_value]
        ),
        "fitted": plain(found.steps["fitted"]),
        "residuals": plain(found.steps["residual"]),
        "statistics": plain(found.steps["statistic"]),
        "outliers": plain(found.outliers),
        "exponent without outliers": plain(
            [found.exponent_without, found.low_without, found.high_without]
        ),
    }


def pooled_slope(readings: Any, bench: Any) -> list[float]:
    """Pool the slope of noise over speed of all swept models."""
    return plain(fs.pooled_slope(readings, bench=bench))


# Spread ----------------------------------------------------------------------------------------


def unit_spread(readings: Any, bench: Any, **options: Any) -> tuple[Any, Row]:
    """Estimate how samples differ; give the bench made of it too."""
    found = fs.unit_spread(readings, bench, **options)
    names = ["sd", "raw_variance", "dof", "low", "high"]
    parts = by_key(found.components, ["kind", "component"], names)
    offsets = by_key(found.deviations, ["kind", "model", "unit"], ["deviation", "u"])
    behind = by_key(found.by_obstruction, ["kind", "obstruction"], ["sd", "dof"])
    return found.bench, {
        "components": {key: list(row.values()) for key, row in parts.items()},
        "deviations": {key: list(row.values()) for key, row in offsets.items()},
        "by obstruction": {key: list(row.values()) for key, row in behind.items()},
        "correlation": None if found.correlation is None else plain(found.correlation),
        "spread of the bench": stated_spread(found.bench),
    }


def stated_spread(bench: Any) -> dict[str, Any]:
    """Give the spread of a bench: size, degrees of freedom, what is still to be taken out."""
    spread = bench.spread
    told: dict[str, Any] = {"correlation": plain([spread.correlation, spread.correlation_dof])}
    for kind in KINDS:
        held = spread.of(kind)
        if held is not None:
            size = held.absolute + held.relative
            told[kind] = [held.kind, *plain([size, held.dof, held.removed_variance])]
    return told


def repeatability(readings: Any) -> dict[str, Row]:
    """Pool the scatter of repeats."""
    names = ["standard", "relative", "dof", "cells", "readings", "p_models", "p_levels"]
    return by_key(fs.repeatability(readings), ["quantity"], names)


def with_repeatability(readings: Any, bench: Any, **options: Any) -> Any:
    """Give the bench with the measured scatter of readings in the place of the stated one."""
    return fs.with_repeatability(readings, bench, **options)


def session_shifts(readings: Any, bench: Any, **options: Any) -> tuple[Any, Any, Row]:
    """Estimate by a control fan how sessions differ; give readings and bench after it too."""
    found = fs.session_shifts(readings, bench, **options)
    rows = by_key(found.table, ["kind", "session"], ["shift", "u", "low", "high"])
    told = {
        "shifts": {key: list(row.values()) for key, row in rows.items()},
        "covariance": {name: plain(part.to_numpy()) for name, part in found.covariance.items()},
        "control": plain(found.control),
    }
    return found.readings, found.bench, told


def bridge_rigs(readings: Any, bench: Any, onto: str, **options: Any) -> tuple[Any, Any, Row]:
    """Bring several rigs onto the scale of one; give readings and bench after it too."""
    found = fs.bridge_rigs(readings, bench, onto=onto, **options)
    rows = by_key(
        found.table,
        ["rig", "kind", "obstruction"],
        ["shift", "u", "dof", "low", "high", "by_model"],
    )
    seen = by_key(found.differences, ["rig", "kind", "obstruction", "model"], ["difference"])
    told = {
        "bridges": {key: list(row.values()) for key, row in rows.items()},
        "differences": {key: row["difference"] for key, row in seen.items()},
    }
    return found.readings, found.bench, told


def variance_components(values: Sequence[float], **options: Any) -> Row:
    """Estimate how much scatter comes from each kind of group."""
    found = fs.variance_components(values, **options)
    names = ["sd", "variance", "raw_variance", "dof", "low", "high"]
    rows = by_key(found.table, ["component"], names)
    return {
        "components": {key: list(row.values()) for key, row in rows.items()},
        "means": plain(found.means),
        "covariance of the means": plain(found.covariance.to_numpy()),
        "criterion": plain(found.criterion),
    }


def unlike_siblings(readings: Any, bench: Any) -> Row:
    """Name samples that stand further from their siblings than like samples do."""
    table = fs.unlike_siblings(fs.unit_spread(readings, bench)).table
    rows = by_key(table, ["kind", "model", "unit"], ["studentised", "p", "unlike"])
    return {key: list(row.values()) for key, row in rows.items()}


def trends(readings: Any, bench: Any) -> Row:
    """Look for samples that drift from day to day."""
    table = fs.trends(readings, bench).table
    names = [name for name in table if name not in ("kind", "model", "unit", "units", "rig")]
    rows = by_key(table, ["kind", "model", "unit"], names)
    return {key: list(row.values()) for key, row in rows.items()}


def luck_needed(gap: float | str, bench: Any, **options: Any) -> Row:
    """Say what sample luck would make a gap."""
    table = fs.luck_needed(gap, spread=bench, **options).table
    rows = by_key(table, ["luck"], ["needed", "typical", "chance"])
    return {key: list(row.values()) for key, row in rows.items()}


# Plans -----------------------------------------------------------------------------------------


def plan_units(estimates: Any, first: str, second: str, **options: Any) -> Row:
    """Plan how many more samples of two models settle a gap."""
    found = fs.plan_units(estimates, first, second, **options)
    return {
        "verdict": found.verdict,
        "gap, gap now, percent": plain([found.gap, found.gap_now, found.gap_percent]),
        "samples": plain([*found.n_per_model, found.n_total]),
        "to buy": plain(found.add),
        "mountings and repeats": plain([found.sittings, found.repeats]),
        "chance": plain(found.power),
        "chance now": plain(found.power_now),
        "chance by repeats alone": plain(found.power_repeats_only),
        "chance at most": plain(found.power_at_most),
        "chance as one goes on": plain(found.power_continuing),
        "chance lost": plain(found.power_lost),
        "gap that counts: now, then, by repeats, at least": plain(
            [found.counts_now, found.counts_then, found.counts_repeats_only, found.counts_floor]
        ),
        "money and hours": plain([found.money, found.hours]),
        "within means": plain(found.within_means),
        "chance within means": plain(found.power_within_means),
    }


def plan_next(estimates: Any, *, rng: int, draws: int, **options: Any) -> Row:
    """Plan which models to buy another sample of."""
    found = fs.plan_next(estimates, rng=rng, draws=draws, **options)
    return {
        "purchases": {str(name): _pair(found.purchases, name) for name in found.purchases},
        "shares": plain(found.shares.to_dict()),
        "cheapest": plain(found.cheapest),
    }


def plan_looks(gap: float, spread: float, **options: Any) -> Row:
    """Plan a test that may stop early."""
    found = fs.plan_looks(gap, spread, **options)
    return {
        "samples at the looks": plain(found.units),
        "limits": plain(found.limits),
        "gaps that count": plain(found.counts),
        "stops if alike": plain(found.stops_alike),
        "stops at the gap": plain(found.stops_gap),
        "chance, false claims, naive": plain(
            [found.power, found.false_claims, found.naive_false_claims]
        ),
        "samples: a model, in all, fixed": plain(
            [found.n_per_model, found.n_total, found.fixed_n_per_model]
        ),
        "samples expected": plain([found.expected_per_model, found.expected_alike]),
        "money": plain([found.money, found.money_at_most, found.money_fixed]),
    }


def plan_value(estimates: Any, model: str, **options: Any) -> Row:
    """Plan how many more samples pin the value of one model down."""
    found = fs.plan_value(estimates, model, **options)
    return {
        "verdict": found.verdict,
        "samples and to buy": plain([found.n_per_model, found.add]),
        "half widths: wanted, now, then, at least": plain(
            [found.half_width, found.half_width_now, found.half_width_then, found.half_width_floor]
        ),
        "money and hours": plain([found.money, found.hours]),
    }


def units_needed(question: str, *arguments: float, **options: Any) -> Row:
    """Find how many samples a gap, a half width or a spread needs, without estimates."""
    ask: Callable[..., Any] = {
        "gap": fs.units_for_gap,
        "half width": fs.units_for_half_width,
        "spread": fs.units_for_spread,
    }[question]
    found = ask(*arguments, **options)
    return {
        "samples": plain([found.n_per_model, found.n_total]),
        "reached": plain([found.reached, found.one_fewer]),
    }
