"""A simulator of benches with a known truth. Shares no code with the engine."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

SCOPES = ("tested unit", "model", "next unit")
MID_DRIVE = 8.0


def _add(*levels):
    return 10 * np.log10(sum(10 ** (np.asarray(level) / 10) for level in levels))


@dataclass(frozen=True, kw_only=True)
class Fan:
    """The typical fan of one model: level alone and airflow over speed."""

    n_mid: float  # rpm at `MID_DRIVE`
    level_mid: float  # dB there
    flow_mid: float  # fpm there
    slope: float  # dB a decade there
    bend: float = 0.0  # dB a decade squared
    resonance: float = 0.0  # dB of a bump, a tenth of a decade wide, in the middle

    def level(self, n):
        """Level of the fan alone."""
        decades = np.log10(np.asarray(n) / self.n_mid)
        bump = self.resonance * np.exp(-((decades / 0.05) ** 2))
        return self.level_mid + self.slope * decades + self.bend * decades**2 + bump

    def speed_at(self, level):
        """Speed at which the fan makes a level: the highest one that rises through it."""
        x = np.asarray(level) - self.level_mid
        if not self.resonance:
            # The root of bend d**2 + slope d = x that is also right without a bend.
            root = np.sqrt(self.slope**2 + 4 * self.bend * x)
            return self.n_mid * 10 ** (2 * x / (self.slope + root))
        grid = self.n_mid * 10 ** np.linspace(-0.5, 0.5, 20001)
        levels = self.level(grid)
        found = []
        for one in np.atleast_1d(level):
            k = np.flatnonzero((levels[:-1] < one) & (one <= levels[1:]))[-1]
            share = (one - levels[k]) / (levels[k + 1] - levels[k])
            found.append(grid[k] + share * (grid[k + 1] - grid[k]))
        return np.reshape(found, np.shape(level))

    def flow(self, n):
        """Airflow, as the first fan law says."""
        return self.flow_mid * np.asarray(n) / self.n_mid


@dataclass(frozen=True, kw_only=True)
class Rig:
    """What all readings of one bench share."""

    meter: float  # dB, error of the sound meter
    vane: float  # relative error of the anemometer
    room: float  # dB, true level of the room
    fan_target: float  # dB of the fan alone that bring the reading to the target


@dataclass(kw_only=True)
class Truth:
    """What the simulated models are in truth: at the target, along levels, at one drive.

    Arrays over models, at the target: `tested` (the units on the bench, averaged over a model's
    units), `model` (the typical unit), `next_unit` (one more unit of each model). `along` is over
    scope, model and level; `at_drive` over scope and model, by quantity.
    """

    tested: np.ndarray
    model: np.ndarray
    next_unit: np.ndarray
    along: np.ndarray
    at_drive: dict[str, np.ndarray] = field(default_factory=dict)

    def scopes(self) -> np.ndarray:
        """Airflow at the target over scope and model."""
        return np.stack([self.tested, self.model, self.next_unit])


@dataclass(frozen=True, kw_only=True)
class SimulatedBench:
    """One bench day: fans on curves in level and airflow, a room, a meter, an anemometer.

    Levels are in dB, spreads of airflow and speed relative; errors are standard deviations.
    """

    models: int = 10
    units: int | tuple[int, ...] = 1  # of every model, or of each
    above_room: float = 6.0
    target: float = 36.0
    levels: tuple[float, ...] = ()  # where `Truth.along` is wanted
    true_level: bool = False  # the target is a true level, not one as read on this meter
    steps: tuple[float, ...] = (5.0, 6.0, 7.0, 8.5, 10.0, 12.0)
    slope: float = 52.0
    slopes_apart: float = 0.0  # dB a decade, how far models' slopes lie from that at most
    bend: float = 0.0  # dB a decade squared
    noise_spread: float = 0.8
    airflow_spread: float = 0.02
    speed_spread: float = 0.04
    meter_shared: float = 0.5
    noise_sitting: float = 0.15
    noise_model: float = 0.2
    noise_reading: float = 0.1
    room_reading: float = 0.1
    speed_reading: float = 4.0
    airflow_shared: float = 0.015
    airflow_reading: float = 0.01
    resonance: float = 0.0  # dB of a bump on the level, a tenth of a decade wide, at the target
    luck: str = "normal"  # shape of the luck: "normal", "rectangular" or "skewed"
    alike: bool = False  # all models equal in truth at the target, up to the next two
    truth_spread: float = 0.0  # relative, of the models' airflow at the target
    flows: tuple[float, ...] = ()  # relative airflow at the target, one model after the other

    def simulate(self, rng: np.random.Generator) -> tuple[pd.DataFrame, Truth]:
        """Give the table a tester would write, and the truth behind it."""
        rig, fans, tones = self._set_up(rng)
        return self._test(rng, rig, fans, tones)

    def simulate_twice(
        self, rng: np.random.Generator, *, same_bench: bool
    ) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Give the tables of two tests of the same models, each with units of its own.

        What all models share is the same in both. On another bench the meter's answer to each
        model's tone is another.
        """
        rig, fans, tones = self._set_up(rng)
        first, _ = self._test(rng, rig, fans, tones)
        again = tones if same_bench else rng.normal(size=self.models) * self.noise_model
        second, _ = self._test(rng, rig, fans, again)
        return first, second

    def _set_up(self, rng):
        meter, vane = rng.normal() * self.meter_shared, rng.normal() * self.airflow_shared
        # The target stands so far above the room as read on this meter, or in truth.
        room = self.target - self.above_room - (0.0 if self.true_level else meter)
        level = float(self._fan_level(self.target, meter, room))
        rig = Rig(meter=meter, vane=vane, room=room, fan_target=level)
        fans = [self._fan(rng, rig, m) for m in range(self.models)]
        return rig, fans, rng.normal(size=self.models) * self.noise_model

    def _fan_level(self, total, meter, room):
        """Level of the fan alone that, in this room and on this meter, makes a total."""
        true = np.asarray(total) - (0.0 if self.true_level else meter)
        return 10 * np.log10(10 ** (true / 10) - 10 ** (room / 10))

    def _fan(self, rng, rig: Rig, m: int) -> Fan:
        # Level at mid drive such that the target is met inside the sweep.
        resonance = self.resonance
        fan = Fan(
            n_mid=rng.uniform(700, 1100),
            level_mid=rig.fan_target + (0.0 if resonance else rng.uniform(-1.0, 1.0)),
            flow_mid=rng.uniform(300, 500),
            slope=self.slope + self.slopes_apart * rng.uniform(-1, 1),
            bend=self.bend,
            resonance=resonance,
        )
        if not self.alike:
            return fan
        wanted = 400.0 * (1 + rng.normal() * self.truth_spread)
        wanted *= self.flows[m] if self.flows else 1.0
        flow_mid = wanted * fan.n_mid / float(fan.speed_at(rig.fan_target))
        return Fan(**{**fan.__dict__, "flow_mid": flow_mid})

    def _luck(self, rng: np.random.Generator, size: float) -> float:
        if self.luck == "rectangular":
            return float(rng.uniform(-1, 1) * np.sqrt(3) * size)
        if self.luck == "skewed":
            return float((rng.exponential() - 1) * size)
        return float(rng.normal() * size)

    def _lucks(self, rng) -> tuple[float, float, float]:
        """One unit's luck in noise, airflow and speed."""
        spreads = (self.noise_spread, self.airflow_spread, self.speed_spread)
        return tuple(self._luck(rng, spread) for spread in spreads)

    def _test(self, rng, rig: Rig, fans: list[Fan], tones) -> tuple[pd.DataFrame, Truth]:
        counts = [self.units] * self.models if isinstance(self.units, int) else self.units
        room_read = rig.room + rig.meter + rng.normal() * self.room_reading
        rows, truths = [], []
        for m, (fan, units) in enumerate(zip(fans, counts, strict=True)):
            own = [self._lucks(rng) for _ in range(units)]
            truths.append(self._truth(rig, fan, own, self._lucks(rng)))
            for u, luck in enumerate(own):
                where = {
                    "model": f"M{m:03d}", "unit": f"u{u}", "session": "day",
                    "background [dBA]": room_read,
                }  # fmt: skip
                rows += [{**where, **read} for read in self._sitting(rng, rig, fan, luck, tones[m])]
        tested, model, coming = (np.array(found) for found in zip(*truths, strict=True))
        along = np.stack([tested, model, coming])
        truth = Truth(
            tested=along[0, :, 0],
            model=along[1, :, 0],
            next_unit=along[2, :, 0],
            along=along[:, :, 1:-2],
            at_drive={"airflow": along[:, :, -2], "noise": along[:, :, -1]},
        )
        return pd.DataFrame(rows), truth

    def _truth(self, rig: Rig, fan: Fan, own, coming):
        """Airflow at the target and along the levels, airflow and level at mid drive."""
        wanted = self._fan_level(np.array([self.target, *self.levels]), rig.meter, rig.room)

        def of_unit(e, f, s):
            flow = fan.flow(fan.speed_at(wanted - e)) * (1 + f)
            n = fan.n_mid * (1 + s)
            return np.array(
                [*flow, fan.flow(n) * (1 + f), _add(fan.level(n) + e, rig.room)], dtype=float
            )

        tested = np.mean([of_unit(*luck) for luck in own], axis=0)
        return tested, of_unit(0.0, 0.0, 0.0), of_unit(*coming)

    def _sitting(self, rng, rig: Rig, fan: Fan, luck, tone):
        """Read one unit at every step."""
        e, f, s = luck
        drives = np.array(self.steps)
        n = fan.n_mid * (drives / MID_DRIVE) ** 0.9 * (1 + s)
        mounted = fan.level(n) + e + rng.normal() * self.noise_sitting + tone
        size = len(drives)
        noise = _add(mounted, rig.room) + rig.meter + rng.normal(size=size) * self.noise_reading
        airflow = fan.flow(n) * (1 + f) * (1 + rig.vane)
        columns = {
            "drive [V]": drives,
            "speed [rpm]": n + rng.normal(size=size) * self.speed_reading,
            "noise [dBA]": noise,
            "airflow [fpm]": airflow * (1 + rng.normal(size=size) * self.airflow_reading),
        }
        return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]
