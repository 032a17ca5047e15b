"""How lucky one of two samples must have been to make a gap, and how rare such luck is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar, Final, Literal

import pandas as pd
from scipy.special import ndtr, stdtr

from fanstats._arguments import number
from fanstats.errors import FanstatsError, one_of
from fanstats.sources import Bench, Source, UnitSpread
from fanstats.spread.measured_bench import own_spread
from fanstats.tabled import Tabled
from fanstats.wording import per_hundred, two_digits

__all__ = ["LuckNeeded", "luck_needed"]

Held = Literal["equal noise", "equal drive", "equal speed"]
_COLUMNS: Final = ("luck", "needed", "units", "typical", "chance", "note")
_SLIDES: Final = (
    "explains nothing: a sample that only spins faster ends up on the same point at equal noise"
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class LuckNeeded(Tabled):
    """What would explain a gap in airflow between two samples of equal models.

    Attributes
    ----------
    gap : float
        The gap, relative.
    held : {"equal noise", "equal drive", "equal speed"}
        What the two were matched at.
    table : pandas.DataFrame
        A row a kind of luck: luck, needed (difference between the two samples), units, typical
        (standard deviation of such a difference as stated), chance (how often two samples differ
        as much either way), note.
    slope : float
        dB a decade of speed.
    """

    _DIGITS: ClassVar[int] = 3

    gap: float
    held: Held
    table: pd.DataFrame
    slope: float

    def sentence(self) -> str:
        """Say it in words.

        Returns
        -------
        str
        """
        parts = [_row_words(row) for row in self.table.itertuples(index=False)]
        return (
            f"A gap of {two_digits(100 * self.gap)} % in airflow at {self.held}, if the two models "
            f"are alike: {'; '.join(parts)}."
        )

    def _rows(self) -> pd.DataFrame:
        return self.table


def luck_needed(
    gap: float | str,
    *,
    spread: UnitSpread | Bench,
    held: Held = "equal noise",
    slope: float = 50.0,
) -> LuckNeeded:
    """Say what sample luck would make a gap in airflow between two samples of like models.

    Parameters
    ----------
    gap : float or str
        How much more air the first sample moves: 0.05 or ``"5 %"``.
    spread : UnitSpread or Bench
        How samples differ; what is not stated is given without its chance.
    held : {"equal noise", "equal drive", "equal speed"}
        What the two were matched at.
    slope : float
        Level of the fan alone over speed, dB a decade: of the models' own sweep, else 50.

    Returns
    -------
    LuckNeeded

    Raises
    ------
    FanstatsError
        If an argument is out of its range.

    Notes
    -----
    At equal noise a sample that is ``e`` dB quieter at a given speed runs faster by
    ``10**(e / slope)`` and moves that much more air. A sample that only *spins* faster at a given
    drive is turned down to the same noise and ends at the same point: speed luck explains
    nothing there.

    Examples
    --------
    >>> from fanstats.sources import standard
    >>> found = luck_needed("5 %", spread=UnitSpread(noise=standard(0.8)))
    >>> round(float(found.table["needed"][0]), 2), round(float(found.table["chance"][0]), 2)
    (1.06, 0.35)
    """
    share = _gap(gap)
    one_of("held", held, ["equal noise", "equal drive", "equal speed"])
    rise = number("slope", slope, above=0)
    stated: object = spread.spread if isinstance(spread, Bench) else spread
    if not isinstance(stated, UnitSpread):
        found = " Pass its `.bench`." if hasattr(stated, "components") else ""
        msg = f"`spread` must be a UnitSpread or a Bench; got {type(stated).__name__}.{found}"
        raise FanstatsError(msg)
    turn = math.log1p(share)
    per_db = math.log(10.0) / rise
    noise, airflow, speed = (stated.of(kind) for kind in ("noise", "airflow", "speed"))
    rows: list[dict[str, object]] = []
    counted: list[tuple[Source | None, float]] = [(airflow, 1.0)]
    if held == "equal noise":
        rows.append(_row("noise luck alone", abs(turn) / per_db, "dB", noise))
        counted.insert(0, (noise, per_db))
    rows.append(_row("airflow luck alone", math.expm1(abs(turn)), "relative", airflow))
    if held == "equal drive":
        rows.append(_row("speed luck alone", math.expm1(abs(turn)), "relative", speed))
        counted.append((speed, 1.0))
    if held != "equal speed":
        # A noisier sample is turned down: what makes it move more air at a given speed cancels.
        in_step = -2.0 * stated.correlation if held == "equal noise" else 0.0
        rows.append(_together(counted, abs(turn), in_step))
    if held == "equal noise":
        rows.append(_nothing("speed luck", _SLIDES))
    else:
        rows.append(_nothing("noise luck", f"moves no air at {held}"))
    return LuckNeeded(gap=share, held=held, table=pd.DataFrame(rows, columns=_COLUMNS), slope=rise)


def _gap(gap: float | str) -> float:
    if isinstance(gap, str):
        text = gap.strip().removesuffix("%").strip()
        try:
            share = float(text) / 100.0
        except ValueError:
            msg = f"`gap` as text must read like '5 %'; got {gap!r}."
            raise FanstatsError(msg) from None
        if not gap.strip().endswith("%"):
            msg = f"`gap` as text must read like '5 %'; got {gap!r}."
            raise FanstatsError(msg)
        return number("gap", share, above=-1.0)
    return number(
        "gap", gap, above=-1.0, mend="Write 0.05 or '5 %' for a first sample that moves 5 % more."
    )


def _chance(needed: float, sd: float, dof: float) -> float:
    if sd == 0:
        return float(needed == 0)
    if math.isfinite(dof):
        return 2.0 * float(stdtr(max(dof, 0.5), -needed / sd))
    return 2.0 * float(ndtr(-needed / sd))


def _row(luck: str, needed: float, units: str, source: Source | None) -> dict[str, object]:
    row: dict[str, object] = {"luck": luck, "needed": needed, "units": units, "note": ""}
    if source is None:
        return row | {"typical": math.nan, "chance": math.nan, "note": "spread not stated"}
    sd, dof = own_spread(source)
    chance = _chance(needed, math.sqrt(2.0) * sd, dof)
    if source.shape == "rectangular" and math.isinf(dof) and sd > 0:
        # The difference of two rectangular draws is triangular, and ends.
        reach = 2.0 * math.sqrt(3.0) * sd
        chance = max(0.0, 1.0 - needed / reach) ** 2
    return row | {"typical": math.sqrt(2.0) * sd, "chance": chance}


def _together(
    counted: list[tuple[Source | None, float]], turn: float, in_step: float
) -> dict[str, object]:
    row: dict[str, object] = {
        "luck": "all kinds together", "needed": math.expm1(turn), "units": "relative",
        "typical": math.nan, "chance": math.nan, "note": "spread not stated",
    }  # fmt: skip
    sizes = [(own_spread(source), weight) for source, weight in counted if source is not None]
    if len(sizes) < len(counted):
        return row
    variances = [2.0 * (weight * sd) ** 2 for (sd, _), weight in sizes]
    # Noise and airflow luck stand first where they go in step.
    total = sum(variances) + (in_step * math.sqrt(variances[0] * variances[1]) if in_step else 0.0)
    shares = sum(v**2 / dof for v, ((_, dof), _) in zip(variances, sizes, strict=True))
    dof = total**2 / shares if shares > 0 else math.inf
    chance = _chance(turn, math.sqrt(total), dof)
    return row | {"typical": math.sqrt(total), "chance": chance, "note": ""}


def _nothing(luck: str, note: str) -> dict[str, object]:
    return {
        "luck": luck, "needed": math.nan, "units": "", "typical": math.nan, "chance": 0.0,
        "note": note,
    }  # fmt: skip


def _row_words(row: object) -> str:
    luck, needed, units, chance, note = (
        getattr(row, name) for name in ("luck", "needed", "units", "chance", "note")
    )
    if math.isnan(needed):
        return f"{luck} {note}"
    size = f"{two_digits(needed)} dB" if units == "dB" else f"{two_digits(100 * needed)} %"
    if luck == "all kinds together":
        known = f"come to as much {per_hundred(chance)} times in 100"
        return f"{luck} {known if not note else 'cannot be reckoned: ' + note}"
    how = note if note else f"two samples differ as much {per_hundred(chance)} times in 100"
    return f"{luck} must differ by {size} ({how})"
