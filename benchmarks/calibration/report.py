"""Tables of what was found: every figure with its Monte Carlo error, its target, met or missed."""

from __future__ import annotations

import platform
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime

import numpy as np
import pandas as pd
import scipy
import xarray as xr

import fanstats as fs
from benchmarks.calibration import bands, coverage, decisions, plans, retests
from benchmarks.calibration.cases import Case, Figures, Share, share_of
from benchmarks.calibration.running import Results
from benchmarks.calibration.scenarios import DRAWS, SCOPES

# What a reader calls the scopes.
PRINTED = dict(
    zip(SCOPES, ("this sample", "the typical one", "the one you would buy"), strict=True)
)
# A figure this many Monte Carlo errors outside its target may still have met it.
DOUBT = 2.0
# Nothing is said of a figure with fewer trials than that.
FEWEST = 20
RANGE = (0.94, 0.96)
_ORDER = ("met", "met within error", "missed")


def judge(found: Iterable[tuple[Share, float, float]], inherent: str = "") -> str:
    """Say whether figures met their limits: the worst of them counts."""
    known = [part for part in found if part[0].trials >= FEWEST]
    if not known:
        return "too few values"
    worst = 0
    for share, low, high in known:
        away = share.beyond(low, high)
        worst = max(worst, 0 if away == 0 else 1 if away < DOUBT else 2)
    told = _ORDER[worst]
    return f"{told} ({inherent})" if inherent and worst == 2 else told


def figure(benches: Mapping[int, Figures], name: str) -> Share:
    """Pool one figure over the benches of a case."""
    return share_of(found[name] for found in benches.values() if name in found)


def _of(results: Results, case: Case) -> dict[int, Figures]:
    return results.get((case.study, case.name), {})


def _percent(share: Share) -> str:
    return "" if not share.trials or share.share == 0 else f"{100 * share.share:.1f}"


def _coverage_row(name: str, benches: dict[int, Figures], case: Case, prefix: str = "") -> dict:
    shares = {scope: figure(benches, prefix + scope) for scope in SCOPES}
    return {
        "scenario": name,
        **{PRINTED[scope]: str(share) for scope, share in shares.items()},
        "an end missing": _with_ends(
            figure(benches, prefix + "an end missing"), shares["model"].stated
        ),
        "no value": _percent(figure(benches, prefix + "no value")),
        "benches": len(benches),
        "target 94 to 96": judge(
            ((s, s.stated - 0.01, s.stated + 0.01) for s in shares.values()), case.inherent
        ),
    }


def _with_ends(share: Share, should: float) -> str:
    """Name the share of ranges with an end missing, and what such ranges should hold."""
    printed = _percent(share)
    return f"{printed} (should hold {100 * should:.1f})" if share.share >= 0.02 else printed


def coverage_table(results: Results, cases: list[Case]) -> pd.DataFrame:
    """Coverage of single ranges, one row a scenario."""
    rows, sound = [], {}
    for case in cases:
        benches = _of(results, case)
        if not benches:
            continue
        rows.append(_coverage_row(case.name, benches, case))
        if any(name.startswith("several/") for name in next(iter(benches.values()))):
            rows[-1]["scenario"] += ": models tested once"
            name = f"{case.name}: models that gave it"
            rows.append(_coverage_row(name, benches, case, "several/"))
        if not case.inherent:
            sound.update({(case.name, seed): found for seed, found in benches.items()})
    if sound:
        pooled = dict(enumerate(sound.values()))
        all_of_it = Case(study="", name="", run=coverage.known, benches=0, quick=0)
        rows.append(_coverage_row("all but those with a reason to miss", pooled, all_of_it))
    return pd.DataFrame(rows)


def bands_table(results: Results, cases: list[Case]) -> pd.DataFrame:
    """Coverage of bands, one row a scenario and scope."""
    rows = []
    for case in cases:
        benches = _of(results, case)
        for scope in SCOPES:
            shares = [
                figure(benches, f"{scope}, {how}") for how in ("at each level", "all at once")
            ]
            if shares[0].trials:
                called = figure(benches, "called up to the loudest") if scope == "model" else None
                limits = [(share, *RANGE) for share in shares]
                if called is not None and called.trials:
                    limits.append((called, 0.0, 0.05))
                rows.append(
                    {
                        "band": case.name,
                        "of": PRINTED[scope],
                        "at each level": str(shares[0]),
                        "all at once": str(shares[1]),
                        "false leads": str(called) if called is not None and called.trials else "",
                        "benches": len(benches),
                        "target 94 to 96": judge(limits, case.inherent),
                    }
                )
    return pd.DataFrame(rows)


def leads_table(results: Results, cases: list[Case]) -> pd.DataFrame:
    """Leads called among models equal in truth."""
    rows: list[dict] = []
    sound: list[Figures] = []
    names = ("chosen before", "from the chart", "family-wise")
    for case in cases:
        benches = _of(results, case)
        shares = {name: figure(benches, name) for name in names}
        if benches:
            rows.append(
                {
                    "models equal in truth": case.name,
                    **{name: str(share) for name, share in shares.items()},
                    "benches": len(benches),
                    "target at most 5": judge(
                        ((share, 0.0, 0.05) for share in shares.values()), case.inherent
                    ),
                }
            )
            sound += [] if case.inherent else list(benches.values())
    if rows:
        pooled = {name: share_of(found[name] for found in sound) for name in names}
        rows.append(
            {
                "models equal in truth": "all but those with a reason to miss",
                **{name: str(share) for name, share in pooled.items()},
                "benches": len(sound),
                "target at most 5": judge((share, 0.0, 0.05) for share in pooled.values()),
            }
        )
    return pd.DataFrame(rows)


def chances_table(results: Results, cases: list[Case]) -> pd.DataFrame:
    """Chances of pairs by what was stated, over all charts of models unlike by 0.3 to 2."""
    rows = []
    for name in decisions.BINS:
        found = [bench[name] for case in cases for bench in _of(results, case).values()]
        share = share_of(found)
        if share.trials:
            rows.append(
                {
                    "stated, in 100": name,
                    "on average": f"{100 * share.stated:.1f}",
                    "came true": str(share),
                    "calls": share.trials,
                    "target within 2 points": judge(
                        [(share, share.stated - 0.02, share.stated + 0.02)]
                    ),
                }
            )
    return pd.DataFrame(rows)


def of_calls(benches: dict[int, Figures], names: Iterable[str]) -> Share:
    """Pool several figures of each bench, then all benches."""
    wanted = tuple(names)
    return share_of(
        tuple(np.sum([bench[name] for name in wanted], axis=0)) for bench in benches.values()
    )


def kinds_table(results: Results, cases: list[Case]) -> pd.DataFrame:
    """Tell charts apart by how unlike their models are, with ranks."""
    rows = []
    for case in cases:
        benches = _of(results, case)
        if not benches:
            continue
        calls = of_calls(benches, decisions.BINS[-2:])
        leader, ranks = figure(benches, "chance of the leader"), figure(benches, "ranks")
        sure = figure(benches, "guaranteed ranks")
        every = of_calls(benches, decisions.BINS)
        rows.append(
            {
                "chart": case.name,
                "calls from 90 on: stated": f"{100 * calls.stated:.1f}" if calls.trials else "-",
                "came true": str(calls),
                "share of pairs": f"{100 * calls.trials / every.trials:.0f}",
                "leader is best: stated": f"{100 * leader.stated:.1f}",
                "came true ": str(leader),
                "ranks in range": str(ranks),
                "all guaranteed ranks": str(sure),
                "benches": len(benches),
                "targets as stated (2 points), ranks at least 94": judge(
                    [(s, s.stated - 0.02, s.stated + 0.02) for s in (calls, leader) if s.trials]
                    + [(s, 0.94, 1.0) for s in (ranks, sure)],
                    case.inherent,
                ),
            }
        )
    return pd.DataFrame(rows)


def retests_table(results: Results, cases: list[Case]) -> pd.DataFrame:
    """Second tests against what was predicted."""
    rows = []
    stays = ("neighbours stay in order", "the first stays first", "the top three stay")
    for case in cases:
        benches = _of(results, case)
        if not benches:
            continue
        values, places = figure(benches, "values"), figure(benches, "places")
        shares = {name: figure(benches, name) for name in stays}
        limits = [(values, *RANGE), (places, 0.94, 1.0)]
        limits += [(s, s.stated - 0.02, s.stated + 0.02) for s in shares.values()]
        rows.append(
            {
                "second test": case.name,
                "values in range": str(values),
                "places in range": str(places),
                **{f"{name}: stated, came": f"{100 * share.stated:.1f}, {share}"
                   for name, share in shares.items()},
                "benches": len(benches),
                "targets 94 to 96, places at least 94, chances as stated (2 points)": judge(limits),
            }
        )  # fmt: skip
    return pd.DataFrame(rows)


def plans_table(results: Results, cases: list[Case]) -> pd.DataFrame:
    """Chances that gaps are called, against the plan's."""
    rows = []
    for case in cases:
        benches = _of(results, case)
        if not benches:
            continue
        (name,) = {name for found in benches.values() for name in found}
        share = figure(benches, name)
        rows.append(
            {
                "gap": case.name,
                "plan": name.removeprefix("chance with "),
                "planned chance": f"{100 * share.stated:.1f}",
                "called": str(share),
                "tests": share.trials,
                "target within 2 points": judge(
                    [(share, share.stated - 0.02, share.stated + 0.02)]
                ),
            }
        )
    return pd.DataFrame(rows)


TABLES = (
    (coverage.STUDY, "Coverage of ranges, 95 times in 100", coverage_table,
     "Airflow at equal noise, in points of 100, with Monte Carlo errors over benches. An end that "
     "is missing (not covered by data) claims nothing: such a range should hold 97.5 times. Six "
     "steps, eight closer ones at 1 and 1.5 dB above the room."),
    (bands.STUDY, "Coverage of bands over noise, 95 times in 100", bands_table,
     "At each level of seven, and the whole curve inside the simultaneous band. False leads: "
     "called ahead up to the loudest level where the two are equal."),
    (decisions.LEADS, "False leads and family-wise rate, at most 5 in 100", leads_table,
     "All models equal in truth at the target, unlike in their curves. From the chart: the one on "
     "top against the one at the bottom. Family-wise: any pair at all called different."),
    (decisions.CHANCES, "Stated chances: how many came true", chances_table,
     "Every pair of every chart; the more likely direction counts as the call. Charts of models "
     "unlike by 0.3 to 2 times one model's own uncertainty."),
    (decisions.CHANCES, "The same by chart, and ranks", kinds_table,
     "Stated chances are hit rates over charts of all kinds, not within each kind: where models "
     "are nearly alike, sure calls are rare and come true less often. Whole ranks make ranges hold "
     "more often than 95 times. Guaranteed ranks: all of a chart at once."),
    (retests.STUDY, "Second tests against their prediction", retests_table,
     "Eight models, unlike by 1.5 times their uncertainty unless said otherwise, tested again with "
     "new samples."),
    (plans.STUDY, "Planned power, carried out", plans_table,
     "The planned number of samples simulated, read, estimated and compared; a call counts when it "
     "names the model that is better."),
)  # fmt: skip


def markdown(results: Results, cases: list[Case], command: str) -> str:
    """Give all tables as Markdown."""
    about = (
        f"{datetime.now(UTC):%Y-%m-%d}, `{command}`; fanstats {fs.__version__}, Python "
        f"{platform.python_version()}, numpy {np.__version__}, scipy {scipy.__version__}, xarray "
        f"{xr.__version__}, {platform.machine()}; seeds 0 to the number of benches less one, "
        f"{DRAWS:,} draws a bench ({bands.DRAWS:,} for bands)."
    )
    parts = ["# Calibration", about, _legend()]
    for study, title, table, words in TABLES:
        chosen = [case for case in cases if case.study == study]
        frame = table(results, chosen)
        if len(frame):
            parts += [f"## {title}", words, frame.to_markdown(index=False, disable_numparse=True)]
    return "\n\n".join(parts) + "\n"


def _legend() -> str:
    return (
        "A figure is `met` inside its target; `met within error` outside it by less than "
        f"{DOUBT:g} of its own Monte Carlo errors; else `missed`, with the reason where that is "
        "inherent. With 1 to 2 errors allowed for, about one figure in twenty that is right is "
        "still printed as outside its target."
    )


def misses(text: str) -> list[str]:
    """Give the lines of a report that miss a target."""
    return [line for line in text.splitlines() if line.startswith("|") and "missed" in line]
