"""Sentences of a plan for settling a gap."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from fanstats.planning.shown import chance_words, spent_words
from fanstats.wording import listed

if TYPE_CHECKING:
    from fanstats.planning.units_plan import UnitsPlan

__all__ = ["plan_sentence"]


def plan_sentence(plan: UnitsPlan) -> str:
    """Say what to buy, what it takes, and what repeats cannot do.

    Parameters
    ----------
    plan : UnitsPlan

    Returns
    -------
    str
    """
    gap = _gap(plan)
    if plan.verdict == "cannot be settled" and plan.power_at_most >= plan.power_wanted:
        return (
            f"With the steps read {gap} cannot be settled: {plan.reason}. Read further steps and "
            "plan again."
        )
    if plan.verdict == "cannot be settled":
        return (
            f"On this bench {gap} cannot be settled, whatever is bought: {plan.reason}. "
            f"Publish it as a tie.{_repeats(plan)}"
        )
    if plan.verdict == "already enough":
        return (
            f"The samples tested find {gap} with chance {chance_words(plan.power_now)}; nothing "
            "needs to be bought."
        )
    if plan.verdict == "publish as a tie":
        lead = f"Not worth it, publish {gap} as a tie. It would take {_takes(plan)}; {plan.reason}"
    elif plan.verdict == "budget short":
        lead = f"Settling {gap} would take {_takes(plan)}, but {plan.reason}"
    else:
        lead = f"To settle {gap}, test {_takes(plan)}"
    found = (
        f"The gap is then found with chance {chance_words(plan.power)} "
        f"(now {chance_words(plan.power_now)})."
    )
    return f"{lead}. {found}{_affordable(plan)}{_repeats(plan)}"


def _gap(plan: UnitsPlan) -> str:
    percent = "" if math.isnan(plan.gap_percent) else f" ({plan.gap_percent:.3g} %)"
    place = f" {plan.where}" if plan.where else ""
    return (
        f"a gap of {plan.gap:.3g} {plan.units}{percent} in {plan.quantity} between the typical "
        f"ones of {plan.first} and {plan.second}{place}"
    )


def _takes(plan: UnitsPlan) -> str:
    parts = [f"{n} more of {name}{_packed(plan, name)}" for name, n in plan.add.items() if n]
    more = listed(parts) if parts else "no further sample"
    first, second = plan.n_per_model
    sat = ""
    if plan.sittings > 1 or plan.repeats > 1:
        sat = f", {_times(plan.sittings, 'sitting')} of each with {_times(plan.repeats, 'reading')}"
    spent = spent_words(plan.money, plan.currency, plan.hours)
    return (
        f"{more} ({first} and {second} samples in the end, {plan.n_total} in total{sat}; {spent})"
    )


def _packed(plan: UnitsPlan, name: str) -> str:
    packs = plan.packs[name]
    return f" in {_times(packs, 'pack')}" if packs != plan.add[name] else ""


def _times(count: int, thing: str) -> str:
    return f"{count} {thing}" + ("" if count == 1 else "s")


def _affordable(plan: UnitsPlan) -> str:
    if plan.within_means is None:
        return ""
    samples = [f"{n} of {name}" for name, n in plan.within_means.items()]
    return (
        f" What there is buys at best {listed(samples)} in the end: chance "
        f"{chance_words(plan.power_within_means)}."
    )


def _repeats(plan: UnitsPlan) -> str:
    if math.isnan(plan.power_repeats_only):
        return ""
    found = chance_words(plan.power_repeats_only)
    if found.startswith("below"):
        return f" Repeats on the samples at hand find it with a chance {found}."
    return f" Repeats on the samples at hand never find it with more than {found}."
