"""The few lines of the study that README shows, made of the very results of the full report."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import UTC, datetime

import numpy as np
import pandas as pd

from benchmarks.calibration import bands, coverage, decisions, plans, retests
from benchmarks.calibration.cases import Case, Figures, Share, share_of
from benchmarks.calibration.report import PRINTED, RANGE, judge
from benchmarks.calibration.running import Results
from benchmarks.calibration.scenarios import SCOPES

Wanted = Callable[[Case], bool]
_ANYWHERE = "family-wise"


def _benches(results: Results, cases: Iterable[Case], wanted: Wanted) -> list[Figures]:
    return [
        found
        for case in cases
        if wanted(case)
        for found in results.get((case.study, case.name), {}).values()
    ]


def _pooled(benches: Iterable[Figures], names: Iterable[str]) -> Share:
    """Pool some figures of each bench, then all benches that have them."""
    names = tuple(names)
    held = ([found[name] for name in names if name in found] for found in benches)
    return share_of(tuple(np.sum(parts, axis=0)) for parts in held if parts)


def _row(what: str, stated: str, share: Share, verdict: str) -> dict[str, str]:
    return {
        "statement": what,
        "should, in 100": stated,
        "came true": str(share),
        "benches": f"{share.benches:,}",
        "target": verdict,
    }


def _near(share: Share) -> str:
    return judge([(share, share.stated - 0.02, share.stated + 0.02)])


def _of_ranges(results: Results, cases: list[Case]) -> list[dict[str, str]]:
    here = [case for case in cases if case.study == coverage.STUDY]

    def sound(case: Case) -> bool:
        return not case.inherent and "estimated" not in case.name

    rows = []
    for scope in SCOPES:
        share = _pooled(_benches(results, here, sound), [scope])
        low, high = share.stated - 0.01, share.stated + 0.01
        name = f"range of {PRINTED[scope]}, spread known"
        rows.append(_row(name, f"{100 * share.stated:.1f}", share, judge([(share, low, high)])))
    few = _benches(results, here, lambda case: "estimated" in case.name)
    share = _pooled(few, [scope for one in SCOPES for scope in (one, f"several/{one}")])
    low, high = share.stated - 0.01, share.stated + 0.01
    what = "ranges, spread estimated from 3 to 20 degrees of freedom"
    rows.append(_row(what, f"{100 * share.stated:.1f}", share, judge([(share, low, high)])))
    for name in ("spread assumed half as large", "spread assumed twice as large"):
        share = _pooled(_benches(results, here, lambda case, n=name: case.name == n), SCOPES[1:])
        what = f"ranges of the other two, {name} as it is"
        stated = f"{100 * share.stated:.1f}"
        rows.append(_row(what, stated, share, judge([(share, *RANGE)], "inherent")))
    return rows


def _of_bands(results: Results, cases: list[Case]) -> list[dict[str, str]]:
    here = _benches(results, cases, lambda case: case.study == bands.STUDY and not case.inherent)
    rows = []
    for how, what in (("at each level", "band at one level"), ("all at once", "whole curve")):
        share = _pooled(here, [f"{scope}, {how}" for scope in SCOPES])
        rows.append(_row(f"{what} inside its band", "95", share, judge([(share, *RANGE)])))
    return rows


def _of_leads(results: Results, cases: list[Case]) -> list[dict[str, str]]:
    here = [case for case in cases if case.study == decisions.LEADS]
    sound = _benches(results, here, lambda case: not case.inherent)
    told = {
        "chosen before": "false lead, pair named before",
        "from the chart": "false lead, best against worst of a chart",
        _ANYWHERE: "false lead anywhere on a chart",
    }
    rows = []
    for name, what in told.items():
        share = _pooled(sound, [name])
        rows.append(_row(what, "at most 5", share, judge([(share, 0.0, 0.05)])))
    for name, what in (
        ("half as large", "the same, spread assumed half as large as it is"),
        ("skewed", "the same, luck skewed: some samples much worse, none much better"),
    ):
        share = _pooled(_benches(results, here, lambda case, n=name: n in case.name), [_ANYWHERE])
        rows.append(_row(what, "at most 5", share, judge([(share, 0.0, 0.05)], "inherent")))
    return rows


def _of_chances(results: Results, cases: list[Case]) -> list[dict[str, str]]:
    here = [case for case in cases if case.study == decisions.CHANCES]
    told: dict[str, Wanted] = {
        "calls stated at 90 or more, all charts": lambda _: True,
        "the same, models alike (0.3 to 0.5 of their uncertainty)": (
            lambda case: case.name.endswith(("by 0.3", "by 0.5"))
        ),
    }
    rows = []
    for what, wanted in told.items():
        share = _pooled(_benches(results, here, wanted), decisions.BINS[-2:])
        rows.append(_row(what, f"{100 * share.stated:.1f}", share, _near(share)))
    share = _pooled(_benches(results, here, lambda _: True), ["ranks"])
    rows.append(_row("true place inside its range", "95", share, judge([(share, 0.94, 1.0)])))
    return rows


def _of_others(results: Results, cases: list[Case]) -> list[dict[str, str]]:
    tested = _benches(results, cases, lambda case: case.study == retests.STUDY)
    share = _pooled(tested, ["values"])
    rows = [_row("second test inside its prediction", "95", share, judge([(share, *RANGE)]))]
    for case in (case for case in cases if case.study == plans.STUDY):
        found = _benches(results, [case], lambda _: True)
        share = _pooled(found, {name for bench in found for name in bench})
        if share.trials:
            what = f"plan carried out: {case.name}"
            rows.append(_row(what, f"{100 * share.stated:.1f}", share, _near(share)))
    return rows


def short(results: Results, cases: list[Case]) -> str:
    """Give the table of README as Markdown."""
    rows = [
        *_of_ranges(results, cases),
        *_of_bands(results, cases),
        *_of_leads(results, cases),
        *_of_chances(results, cases),
        *_of_others(results, cases),
    ]
    table = pd.DataFrame(rows).to_markdown(index=False, disable_numparse=True)
    return f"{table}\n\nMade by `python -m benchmarks.calibration`, {datetime.now(UTC):%Y-%m-%d}.\n"
