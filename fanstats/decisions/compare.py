"""Compare two models: what can be claimed, with which odds, and what would explain the gap."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
from scipy.special import ndtri

from fanstats._arguments import fraction, number
from fanstats._typing import Scope
from fanstats.decisions.explain import spread_needed
from fanstats.decisions.odds import pair_odds
from fanstats.decisions.order import (
    CLOSE,
    Joint,
    alike_multiplier,
    has_heavy_tails,
    joint_limits,
    not_covered,
    quantile_error,
    standard_uncertainty,
)
from fanstats.decisions.population import outsiders_words
from fanstats.decisions.selection import Best, Selection, select
from fanstats.decisions.verdict import (
    AgainstMargin,
    Chosen,
    Comparison,
    Gap,
    Odds,
    SpreadNeeded,
    Verdict,
)
from fanstats.errors import FanstatsError, one_of
from fanstats.wording import CLOSE_TO_ZERO, listed, where

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["Comparison", "Gap", "Odds", "SpreadNeeded", "compare"]

# Odds of 3:1.
_LEANING: Final = 0.75


def compare(
    estimates: xr.Dataset | xr.DataArray,
    first: str,
    second: str,
    *,
    quantity: str | None = None,
    obstruction: str | None = None,
    scope: Scope = "model",
    probability: float = 0.95,
    margin: float | None = None,
    chosen: Chosen = "from the chart",
    best: Best | None = None,
) -> Comparison:
    """Compare two models of the same estimates.

    Parameters
    ----------
    estimates : Dataset or DataArray
        What `equal_noise` and its sisters return, or any array over `model` and `draw`.
    first, second : str
        The two models; differences are first minus second.
    quantity : str
        Such as "airflow". May be left out where there is only one.
    obstruction : str, optional
        Which obstruction; may be left out where there is only one.
    scope : {"tested unit", "model", "next unit"}
        Which true values the verdict is about.
    probability : float
        Coverage probability of the interval; 1 - probability bounds the false leads.
    margin : float, optional
        Gap that matters to you, in units of the quantity.
    chosen : {"from the chart", "before"}
        "from the chart": the pair was picked because of where it stands among the models present,
        and is judged by the joint maximum over all their pairs. "before": it was of interest
        before anybody looked.
    best : {"high", "low"}, optional
        Which way is better; follows from the quantity where that is known.

    Returns
    -------
    Comparison
        Also where the unit-to-unit spread was never stated: then with verdict "open", without an
        interval, and with the spread that would explain the gap.

    Raises
    ------
    FanstatsError
        If a model, quantity or obstruction is not there, an argument is out of range, or the
        estimates stem from several root seeds.

    Notes
    -----
    The joint maximum is that of ``(d - D) / s_minus`` and ``(D - d) / s_plus`` over all pairs,
    with estimate `d`, draws `D`, and `s` reaching to the 15.87 and 84.13 % points. Quantities
    that are compared as ratios are judged in logarithms; the limits of the difference then follow
    from those of the ratio, so both say the same about who is ahead. An end of the difference
    that rests on more draws beyond what was read than its tail holds is missing, and nobody is
    ahead by virtue of it.

    Examples
    --------
    >>> import fanstats as fs
    >>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=500, rng=1)
    >>> pair = compare(estimates, "Varnost Lull", "Wexcombe Pale", quantity="airflow",
    ...                obstruction="open")
    >>> pair.verdict, pair.who
    ('ahead', 'Varnost Lull')
    """
    fraction("probability", probability)
    one_of("chosen", chosen, ("from the chart", "before"))
    if margin is not None:
        number("margin", margin, above=0.0, mend="Give the gap that would matter to you.")
    picked = select(estimates, quantity, obstruction)
    return compare_selection(
        picked,
        picked.model("first", first),
        picked.model("second", second),
        scope=scope,
        probability=probability,
        margin=margin,
        chosen=chosen,
        best=best,
    )


def compare_selection(
    picked: Selection,
    first: int,
    second: int,
    *,
    scope: str,
    probability: float,
    margin: float | None,
    chosen: Chosen,
    best: Best | None,
) -> Comparison:
    """Compare two models of a selection; `compare` with its arguments already checked."""
    place = picked.scope(scope)
    better = picked.way(best) if picked.known is not None else picked.better(best)
    if chosen == "from the chart":
        refuse_a_part(picked)
    blank = _blank(picked, first, second, place, probability, chosen, better, margin)
    if first == second:
        return _with_itself(blank)
    tested = picked.find("tested unit")
    if tested is not None and picked.estimable[tested, [first, second]].all():
        blank = replace(blank, tested=_plain_gap(picked, tested, first, second, probability))
    odds = pair_odds(picked, first, second, place, better)
    blank = replace(
        blank,
        odds=odds.get(picked.scopes[place], Odds()),
        odds_typical=odds.get("model", Odds()),
        odds_bought=odds.get("next unit", Odds()),
    )
    if not picked.estimable[place, [first, second]].all():
        return _unsettled(blank, picked, first, second)
    return _judged(blank, picked, first, second, place)


def refuse_a_part(picked: Selection) -> None:
    """Refuse to judge a picked pair among only a part of the chart it was picked from."""
    missing = [name for name in picked.listed("models") if name not in picked.models]
    if missing:
        msg = (
            f"`chosen` must be 'before' for a part of a chart: {len(missing)} of its models are "
            f"not among these estimates ({', '.join(missing[:5])}{', ...' * (len(missing) > 5)}). "
            "A pair picked from the chart has to be judged among all of them: pass the whole "
            "estimates, or say chosen='before' if the pair was of interest beforehand."
        )
        raise FanstatsError(msg)


def _blank(
    picked: Selection,
    first: int,
    second: int,
    place: int,
    probability: float,
    chosen: Chosen,
    better: Best | None,
    margin: float | None,
) -> Comparison:
    """Everything that is known before anything is judged."""
    present = np.flatnonzero(picked.estimable[place])
    tested = picked.find("tested unit")
    values = picked.values[place, [first, second]]
    if tested is not None:
        values = np.where(np.isfinite(values), values, picked.values[tested, [first, second]])
    notes = [] if picked.root is not None else ["no root seed: shared draws could not be verified"]
    reasons = {model: picked.reason(place, model) for model in (first, second)}
    for reason in dict.fromkeys(filter(None, reasons.values())):
        names = [picked.models[model] for model, found in reasons.items() if found == reason]
        notes.append(f"{listed(names)}: {reason}")
    for model in reasons:
        notes.extend(beyond_words(picked, place, model, probability))
    notes.extend(text for text in outsiders_words(picked, present)
                 if any(f"{picked.models[model]} (" in text for model in reasons))  # fmt: skip
    return Comparison(
        first=picked.models[first],
        second=picked.models[second],
        quantity=picked.title,
        units=picked.difference_units,
        obstruction=picked.obstruction,
        where=where(picked.attrs, picked.obstruction),
        scope=picked.scopes[place],
        probability=probability,
        chosen=chosen,
        best=better,
        comparative=picked.comparative,
        values=(float(values[0]), float(values[1])),
        margin=margin,
        units_tested=(round(picked.units_tested[first]), round(picked.units_tested[second])),
        draws=picked.draws.shape[-1],
        judged_among=tuple(picked.models[model] for model in present),
        root=picked.root,
        assumptions=picked.listed("assumptions"),
        not_considered=picked.listed("not_considered"),
        notes=tuple(notes),
    )


def beyond_words(picked: Selection, place: int, model: int, probability: float) -> list[str]:
    """Say which ends of a model's range lie beyond what was read."""
    return [
        f"{picked.models[model]}: {100 * share:.2g} % of the draws lie {side} what was read, "
        "where the curve is only continued, so nothing is settled by that end"
        for share, side in zip(picked.shares[:, place, model], ("below", "above"), strict=True)
        if share > (1.0 - probability) / 2.0
    ]


def _with_itself(blank: Comparison) -> Comparison:
    zero = Gap(
        value=0.0, standard_uncertainty=0.0, low=0.0, high=0.0, low_error=0.0, high_error=0.0
    )
    one = replace(zero, value=1.0, low=1.0, high=1.0)
    difference = replace(zero, units=blank.units)
    return replace(
        blank,
        difference=difference,
        ratio=one,
        tested=difference,
        critical_difference=(0.0, 0.0),
        notes=(*blank.notes, "same model"),
        _pair=np.ones((2, blank.draws)),
    )


def _plain_gap(picked: Selection, place: int, first: int, second: int, probability: float) -> Gap:
    """Difference of two models with the interval of this pair alone."""
    draws = picked.draws[place, first] - picked.draws[place, second]
    value = float(picked.values[place, first] - picked.values[place, second])
    tails = ((1.0 - probability) / 2.0, (1.0 + probability) / 2.0)
    low, high = np.quantile(draws, tails)
    return Gap(
        value=value,
        standard_uncertainty=standard_uncertainty(draws),
        low=min(float(low), value),
        high=max(float(high), value),
        low_error=quantile_error(draws, tails[0]),
        high_error=quantile_error(draws, tails[1]),
        units=picked.difference_units,
    )


def _unsettled(blank: Comparison, picked: Selection, first: int, second: int) -> Comparison:
    """Give what is left where the scope has no draws: the gap, and what would explain it."""
    difference = Gap(value=blank.values[0] - blank.values[1], units=blank.units)
    ratio = Gap()
    if picked.ratio and min(blank.values) > 0:
        ratio = Gap(value=blank.values[0] / blank.values[1])
    tested = picked.find("tested unit")
    among = int(picked.estimable[tested].sum()) if tested is not None else 0
    if blank.chosen == "from the chart" and among > 2:
        multiplier = alike_multiplier(among, blank.probability)
    else:
        multiplier = float(ndtri((1.0 + blank.probability) / 2.0))
    unknown = not math.isfinite(multiplier)
    measured = tested is not None and bool(picked.estimable[tested, [first, second]].all())
    names = () if tested is None else np.flatnonzero(picked.estimable[tested])
    among_names = blank.judged_among or tuple(picked.models[model] for model in names)
    return replace(
        blank,
        difference=difference,
        ratio=ratio,
        judged_among=() if unknown or not measured else among_names,
        _explain=partial(
            spread_needed, picked, first, second, multiplier, blank.chosen, blank.probability
        ),
        against_margin=None if blank.margin is None else "open",
    )


def _judged(
    blank: Comparison, picked: Selection, first: int, second: int, place: int
) -> Comparison:
    limits = pair_limits(
        picked, first, second, place, chosen=blank.chosen, probability=blank.probability
    )
    difference, ratio, critical = _gaps(picked, first, second, place, blank, limits)
    more = 1 if limits.low > 0 else -1 if limits.high < 0 else 0
    verdict, who = _verdict(blank, more)
    judged = replace(
        blank,
        difference=difference,
        ratio=ratio,
        critical_difference=critical,
        verdict=verdict,
        who=who,
        notes=(
            *blank.notes,
            *_remarks(blank, picked, first, second, place, verdict, who),
            *([CLOSE_TO_ZERO] if limits.close else []),
        ),
        too_close=limits.close,
        _explain=partial(
            spread_needed,
            picked,
            first,
            second,
            limits.joint.multiplier,
            blank.chosen,
            blank.probability,
        ),
        _pair=picked.draws[place, [first, second]],
    )
    return replace(judged, against_margin=_against_margin(judged))


def _remarks(
    blank: Comparison,
    picked: Selection,
    first: int,
    second: int,
    place: int,
    verdict: str,
    who: str | None,
) -> list[str]:
    """List what a reader should know about this one difference."""
    draws = picked.draws[place, first] - picked.draws[place, second]
    remarks = []
    if np.ptp(draws) == 0:
        remarks.append("no uncertainty between the two: nothing to judge by")
    elif bool(has_heavy_tails(draws)):
        remarks.append("heavy tails: the standard uncertainty is half the central 68.27 % interval")
    gap = blank.values[0] - blank.values[1]
    leads = blank.first if (gap > 0) != (blank.best == "low") else blank.second
    if verdict == "leaning" and gap != 0 and who != leads:
        remarks.append(
            f"{leads} has the better figure, but the less certain one: among all models of the "
            f"chart the odds are with {who}"
        )
    return remarks


class PairLimits(NamedTuple):
    """Limits of one gap on the scale it is judged on.

    Attributes
    ----------
    joint : Joint
        What they are part of.
    low, high : float
        NaN where the end is not covered by data, infinite where nothing is uncertain.
    low_error, high_error : float
        Monte Carlo standard errors.
    """

    joint: Joint
    low: float
    high: float
    low_error: float
    high_error: float

    @property
    def close(self) -> bool:
        """Whether other draws could move an end to the other side of 0."""
        ends = ((self.low, self.low_error), (self.high, self.high_error))
        return any(abs(end) < CLOSE * error for end, error in ends if math.isfinite(end))


def pair_limits(
    picked: Selection, first: int, second: int, place: int, *, chosen: Chosen, probability: float
) -> PairLimits:
    """Limits of the gap on the scale it is judged on, and the joint limits they are part of."""
    members = np.array([first, second], dtype=np.intp)
    if chosen == "from the chart":
        members = np.flatnonzero(picked.estimable[place])
    values, draws = picked.judged(place, members)
    joint = joint_limits(values, draws, probability)
    missing = not_covered(*picked.uncovered(place, members, probability))
    lower = np.where(missing & np.isfinite(joint.lower), np.nan, joint.lower)
    one, two = (int(np.flatnonzero(members == model)[0]) for model in (first, second))
    return PairLimits(
        joint,
        float(lower[one, two]),
        float(-lower[two, one]),
        float(joint.lower_error[one, two]),
        float(joint.lower_error[two, one]),
    )


def _gaps(
    picked: Selection, first: int, second: int, place: int, blank: Comparison, limits: PairLimits
) -> tuple[Gap, Gap, tuple[float, float]]:
    """Difference, ratio, and the smallest gaps that would count."""
    plain = _plain_gap(picked, place, first, second, blank.probability)
    picked_pair = blank.chosen == "from the chart" and len(blank.judged_among) > 2
    low, high = limits.low, limits.high
    if math.isinf(low):
        nothing = replace(plain, low=math.nan, high=math.nan)
        without = limits._replace(low=math.nan, high=math.nan)
        return nothing, _ratio_gap(picked, first, second, place, without), (math.nan, math.nan)
    ratio = _ratio_gap(picked, first, second, place, limits)
    if picked_pair:
        plain = _picked_gap(plain, blank.values, ratio, limits)
    # What is missing on the scale that is judged is missing in the difference too.
    plain = replace(
        plain,
        low=math.nan if math.isnan(low) else plain.low,
        high=math.nan if math.isnan(high) else plain.high,
    )
    return plain, ratio, (plain.value - plain.low, plain.high - plain.value)


def _ratio_gap(picked: Selection, first: int, second: int, place: int, limits: PairLimits) -> Gap:
    if not picked.ratio:
        return Gap()
    values, draws = picked.judged(place, [first, second])
    low, high = math.exp(limits.low), math.exp(limits.high)
    return Gap(
        value=math.exp(float(values[0] - values[1])),
        standard_uncertainty=standard_uncertainty(draws[0] - draws[1]),
        low=low,
        high=high,
        low_error=low * limits.low_error,
        high_error=high * limits.high_error,
    )


def _picked_gap(plain: Gap, values: tuple[float, float], ratio: Gap, limits: PairLimits) -> Gap:
    """Difference with the limits that hold for all pairs of the chart at once."""
    low, high, errors = limits.low, limits.high, (limits.low_error, limits.high_error)
    if math.isfinite(ratio.value):
        # What both share moves the difference, but not who is ahead: it follows from the ratio, and
        # from either side alike, through the geometric mean of both values.
        middle = math.sqrt(values[0] * values[1])
        low, high = (middle * apart(end) for end in (ratio.low, ratio.high))
        errors = (
            middle * _steepness(ratio.low) * ratio.low_error,
            middle * _steepness(ratio.high) * ratio.high_error,
        )
    return replace(plain, low=low, high=high, low_error=errors[0], high_error=errors[1])


def apart(ratio: float) -> float:
    """Give the difference that belongs to a ratio, in units of the geometric mean."""
    return math.sqrt(ratio) - 1.0 / math.sqrt(ratio)


def _steepness(ratio: float) -> float:
    """Give how fast that difference grows with the ratio."""
    return 0.5 * (1.0 + 1.0 / ratio) / math.sqrt(ratio)


def _verdict(blank: Comparison, more: int) -> tuple[Verdict, str | None]:
    """Verdict and who it names; `more` is 1 if the first surely has more, -1 if less."""
    ahead = -more if blank.best == "low" else more
    if ahead:
        return "ahead", blank.first if ahead > 0 else blank.second
    odds = blank.odds.first_ahead
    if odds >= _LEANING:
        return "leaning", blank.first
    if odds <= 1.0 - _LEANING:
        return "leaning", blank.second
    return "open", None


def _against_margin(judged: Comparison) -> AgainstMargin | None:
    if judged.margin is None:
        return None
    gap, margin = judged.difference, judged.margin
    if gap.low > margin or gap.high < -margin:
        return "more than the margin"
    low, high = gap.low, gap.high
    covered = math.isfinite(low) and math.isfinite(high)
    if covered and judged.chosen == "before" and judged.probability > 0.5:
        # Two one-sided tests, each at 1 - probability (Schuirmann 1987).
        low, high = judged.coverage_interval(2.0 * judged.probability - 1.0)
    return "within the margin" if -margin < low and high < margin else "open"
