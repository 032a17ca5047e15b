"""Sample luck in words: what was found, what cannot be told apart, and which test would tell."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from fanstats.spread.along_curve import ALONG_FROM
from fanstats.spread.boxes import ONE_BOX
from fanstats.spread.luck_correlation import FEWEST
from fanstats.spread.measured_bench import UNITS
from fanstats.spread.strata import ALL_ALIKE, FEWEST_DOF
from fanstats.wording import listed, times_words, two_digits

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    import pandas as pd

    from fanstats.spread.along_curve import AlongCurve
    from fanstats.spread.boxes import BoxSplit
    from fanstats.spread.luck_correlation import Correlation
    from fanstats.spread.offsets import SpreadKind
    from fanstats.spread.repeats import Repeats
    from fanstats.spread.strata import Strata

__all__ = ["along_words", "cannot_tell", "correlation_words", "spread_sentence"]

_NAMES: Final = {
    "noise": "noise",
    "airflow": "airflow",
    "speed": "speed",
    "temperature": "temperature",
}
# A variance below it is what is left of rounding.
_NOTHING: Final = 1e-12


def spread_sentence(
    components: pd.DataFrame, probability: float, further: Sequence[str] = ()
) -> str:
    """Say how samples of one model differ.

    Parameters
    ----------
    components : pandas.DataFrame
        As in `SpreadEstimate`.
    probability : float
        Coverage probability of the ranges.
    further : sequence of str
        What to add.

    Returns
    -------
    str
    """
    units = components[components["component"].str.startswith("between units")]
    parts = [
        _component_words({str(k): v for k, v in row.items()}) for row in units.to_dict("records")
    ]
    if parts:
        head = (
            f"Sample luck (standard deviation of production; ranges hold "
            f"{times_words(probability)}): {'; '.join(parts)}."
        )
    else:
        head = "Sample luck: no model was tested with two samples that can be set side by side."
    return " ".join([head, *(f"{note[:1].upper()}{note[1:].rstrip('.')}." for note in further)])


def _component_words(row: Mapping[str, object]) -> str:
    units, high = str(row["units"]), float(str(row["high"]))
    what = str(row["kind"])
    joined = str(row["component"]).removeprefix("between units")
    if "prior" in joined:
        what += " with the prior taken in"
    elif joined:
        what += f" (samples{joined.removesuffix(', together')} together)"
    least = "at least " if ONE_BOX in str(row["status"]) else ""
    if not float(str(row["raw_variance"])) > 0:
        if not math.isfinite(high):
            return f"{what}: {ALL_ALIKE}"
        return (
            f"{what}: none seen above the errors of reading, which leaves up to {_sd(high, units)}"
        )
    low = float(str(row["low"]))
    ends = f"{_sd(low, units)} to {_sd(high, units)}" if low > 0 else f"at most {_sd(high, units)}"
    return f"{what} {least}{_sd(float(str(row['sd'])), units)} ({ends})"


def _sd(value: float, units: str) -> str:
    if not math.isfinite(value):
        return "unknown"
    if units == "relative":
        return f"{two_digits(100 * value)} %"
    return f"{two_digits(value)} {units}"


def cannot_tell(
    strata: Mapping[SpreadKind, Strata],
    repeats: Mapping[str, Repeats],
    boxes: Mapping[SpreadKind, str],
    single: Sequence[str],
    splits: Mapping[SpreadKind, BoxSplit] | None = None,
    *,
    unstated: Collection[str] = (),
    several: bool = False,
) -> list[str]:
    """List what the readings cannot tell apart, each with the test that would.

    Parameters
    ----------
    strata : mapping
        By kind, what the readings say.
    repeats : mapping
        By quantity, pooled repeats.
    boxes : mapping
        By kind, what is known of boxes.
    single : sequence of str
        Models of which one sample was tested.
    splits : mapping, optional
        By kind, spread between boxes and within.
    unstated : collection of str
        Kinds of which no error of a single reading is stated.
    several : bool
        Whether several samples of any model were tested at all.

    Returns
    -------
    list of str
    """
    told = []
    if not any(found.means.dof > 0 for found in strata.values()) and several:
        told.append(
            "nothing is known of sample luck: no two samples of one model can be set side by side"
        )
    elif not any(found.means.dof > 0 for found in strata.values()):
        names = f" ({listed(single[:5])})" if single else ""
        told.append(
            f"nothing is known of sample luck: each model was tested with one sample{names}. "
            "A second sample of any model would begin to tell; 8 models with two each tell it "
            "within a factor of 2"
        )
    pair = [_NAMES[kind] for kind, found in strata.items() if found.means.dof == 1]
    if pair:
        told.append(
            f"one pair of samples ({listed(pair)}) is reported and not put in the bench, where "
            "what was stated stays: a second pair, or a prior with its worth (`prior`, `worth`), "
            "would put it there"
        )
    joined: dict[tuple[tuple[str, ...], bool], list[str]] = {}
    for kind, found in strata.items():
        if found.joined and found.means.dof > 0:
            joined.setdefault((found.joined, found.sitting is None), []).append(_NAMES[kind])
    told += [_joined_words(what, own, names) for (what, own), names in joined.items()]
    unread = [kind for kind in strata if kind not in repeats]
    for how, kinds in (
        ("taken as stated", [kind for kind in unread if kind not in unstated]),
        ("not known and counts as sample luck", [k for k in unread if k in unstated]),
    ):
        if kinds:
            told.append(
                f"scatter of single readings of {listed(_NAMES[k] for k in kinds)} is {how}: no "
                "reading was repeated. Reading each step of one sample 3 times would measure it"
            )
    told += _rare_words(strata)
    if boxes:
        told.append(
            "samples of one box may be alike, so the spread is a lower bound: samples bought "
            "months apart or in different shops would tell"
        )
    if splits:
        count = max(split.boxes for split in splits.values())
        told.append(
            f"boxes and samples are told apart by {count} boxes in "
            f"{listed(_NAMES[k] for k in splits)}, and the spread is that of samples from boxes of "
            "their own; samples of one box that stand for one model are still drawn as if each "
            "came from its own"
        )
    return told


def _rare_words(strata: Mapping[SpreadKind, Strata]) -> list[str]:
    """Name what too few mountings or days tell of, to be put in a bench."""
    told = []
    for level, things, mend in (
        ("sitting", "mountings", "mounting one sample 6 times"),
        ("session", "days", "the same samples on 3 days or more"),
    ):
        parts = {
            kind: getattr(found, level)
            for kind, found in strata.items()
            if f"{level}s" not in found.joined  # said there already
        }
        few = [kind for kind, part in parts.items() if part and part.square_dof < FEWEST_DOF]
        if few:
            told.append(
                f"how {things} differ is told by 1 degree of freedom in "
                f"{listed(_NAMES[kind] for kind in few)}, too few for a bench, where what was "
                f"stated stays: {mend} would tell"
            )
    return told


def along_words(
    found: Mapping[SpreadKind, AlongCurve], held: Mapping[SpreadKind, AlongCurve]
) -> list[str]:
    """Say where a sample's luck varies along its curve.

    Parameters
    ----------
    found : mapping
        By kind, what was estimated.
    held : mapping
        Those that the bench's spread holds.

    Returns
    -------
    list of str
    """
    seen = [
        f"{_along(each, kind)} in {_NAMES[kind]}"
        for kind, each in held.items()
        if each.low > _NOTHING
    ]
    unseen = [
        f"{_along(each, kind)} in {_NAMES[kind]}, at most "
        f"{_sd(math.sqrt(each.high), UNITS[kind] or 'relative')}"
        for kind, each in held.items()
        if not each.low > _NOTHING
    ]
    told = []
    if seen:
        told.append(
            f"luck varies along the curve about a sample's mean by {listed(seen)}; the spread in "
            "the bench holds it, as it is asked for at one speed (on the average over the sweep: "
            "more at its ends, less in its middle)"
        )
    if unseen:
        told.append(
            f"whether luck varies along the curve is not seen above the errors of reading "
            f"({'; '.join(unseen)}); the spread in the bench allows for it"
        )
    few = [
        f"{_along(each, kind)} in {_NAMES[kind]}"
        for kind, each in found.items()
        if kind not in held and each.low > _NOTHING
    ]
    if few:
        told.append(
            f"luck varies along the curve ({', '.join(few)}), which the bench does not hold: that "
            f"takes {ALONG_FROM} degrees of freedom and stated errors of single readings"
        )
    return told


def _along(each: AlongCurve, kind: SpreadKind) -> str:
    return _sd(math.sqrt(max(0.0, each.raw)), UNITS[kind] or "relative")


def correlation_words(found: Correlation | None, strata: Mapping[SpreadKind, Strata]) -> list[str]:
    """Say whether noisier samples move more air, and whether draws of luck know of it.

    Parameters
    ----------
    found : Correlation or None
        Of noise luck and airflow luck.
    strata : mapping
        By kind, what the readings say.

    Returns
    -------
    list of str
        Empty where one of the two was not read.
    """
    if not {"noise", "airflow"} <= set(strata):
        return []
    if found is None:
        dof = min(strata["noise"].means.dof, strata["airflow"].means.dof)
        if dof >= FEWEST:
            return []  # one of the two does not vary, or other samples stand behind each
        return (
            [
                f"whether noisier samples move more air is not told by {dof} "
                f"degree{'' if dof == 1 else 's'} of freedom "
                f"({FEWEST} would): the two kinds of luck are drawn as if they had nothing to do "
                "with each other"
            ]
            if dof
            else []
        )
    about = f"correlation {found.read:+.2f} ({found.low:+.2f} to {found.high:+.2f})"
    if not math.isfinite(found.corrected):
        return [f"noise and airflow luck: {about} as read, too blurred by errors of reading to use"]
    more = "more" if found.used > 0 else "less"
    return [
        f"noisier samples move {more} air at a given speed: {about} as read, {found.used:+.2f} "
        "with the errors of reading taken out; draws of luck go by it, its uncertainty included"
    ]


def _joined_words(what: tuple[str, ...], own: bool, names: list[str]) -> str:
    why = "every sample had its own" if own else "too few samples had more than one"
    mend = {
        "sittings": "taking one sample off the bench and putting it back 6 times",
        "sessions": "testing the same two samples on both days",
    }
    things = {"sittings": "mountings", "sessions": "days"}
    return (
        (
            f"samples and {listed(things[each] for each in what)} cannot be told apart in "
            f"{listed(names)}: {why}. {listed(mend[each] for each in what)} "
            "would tell (see plan_repeatability)"
        )
        .replace(". taking", ". Taking")
        .replace(". testing", ". Testing")
    )
