"""The equal-noise calculation written out once more, for numbers of any uncertainty package.

It shares nothing with the library: monotone cubic (Fritsch and Butland 1984) through knots that
are uncertain in both directions, solved by one exact Newton step from the nominal root.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Any

from scipy.optimize import brentq

TEN = 10 / math.log(10)


@dataclass
class Package:
    """What is needed of a package: a fresh error of size 1, two functions, the nominal value."""

    error: Any
    log: Any
    exp: Any
    nominal: Any


@dataclass
class Sizes:
    """Standard uncertainties of one bench."""

    meter: float = 1.0 / math.sqrt(3.0)
    position: float = 0.2
    tone: float = 0.4 / math.sqrt(3.0)
    display: float = 0.05 / math.sqrt(3.0)
    flicker: float = 0.15
    tachometer: float = 4.0
    vane: float = 0.03 / math.sqrt(3.0)
    swirl: float = 0.008
    wobble: float = 3.0
    noise_luck: float = 0.8
    airflow_luck: float = 0.02
    speed_luck: float = 0.03
    curve: float = 0.0


class Errors:
    """Independent errors of size 1, made when first asked for by name."""

    def __init__(self, package: Package) -> None:
        self._package = package
        self._made: dict[tuple[object, ...], Any] = {}

    def __call__(self, *name: object) -> Any:
        if name not in self._made:  # an error of nominal 0 counts as false
            self._made[name] = self._package.error()
        return self._made[name]


def slopes(package: Package, x: list[Any], y: list[Any]) -> list[Any]:
    """Slopes of the monotone cubic; three knots or more."""
    n = package.nominal
    h = [b - a for a, b in itertools.pairwise(x)]
    rises = [b - a for a, b in itertools.pairwise(y)]
    delta = [rise / step for rise, step in zip(rises, h, strict=True)]
    found = [None] * len(x)
    for k in range(1, len(x) - 1):
        left, right = delta[k - 1], delta[k]
        if n(left) * n(right) <= 0:
            found[k] = 0.0
            continue
        w1, w2 = 2 * h[k] + h[k - 1], h[k] + 2 * h[k - 1]
        found[k] = (w1 + w2) / (w1 / left + w2 / right)
    found[0] = _end(n, h[0], h[1], delta[0], delta[1])
    found[-1] = _end(n, h[-1], h[-2], delta[-1], delta[-2])
    return found


def _end(n: Any, h0: Any, h1: Any, d0: Any, d1: Any) -> Any:
    slope = ((2 * h0 + h1) * d0 - h0 * d1) / (h0 + h1)
    if n(slope) * n(d0) <= 0:
        return 0.0
    if n(d0) * n(d1) <= 0 and abs(n(slope)) > 3 * abs(n(d0)):
        return 3 * d0
    return slope


def _cubic(t: Any, h: Any, y0: Any, y1: Any, d0: Any, d1: Any) -> Any:
    return (
        (1 + 2 * t) * (1 - t) ** 2 * y0
        + t * (1 - t) ** 2 * h * d0
        + t**2 * (3 - 2 * t) * y1
        + t**2 * (t - 1) * h * d1
    )


def value_at(package: Package, x: list[Any], y: list[Any], at: Any) -> Any:
    """Evaluate the monotone cubic."""
    n = package.nominal
    d = slopes(package, x, y)
    k = max(k for k in range(len(x) - 1) if n(x[k]) <= n(at) + 1e-12)
    h = x[k + 1] - x[k]
    return _cubic((at - x[k]) / h, h, y[k], y[k + 1], d[k], d[k + 1])


def solved(package: Package, x: list[Any], y: list[Any], target: Any) -> Any:
    """Find where the monotone cubic, rising throughout, meets the target."""
    n = package.nominal
    d = slopes(package, x, y)
    k = max(k for k in range(len(x) - 1) if n(y[k]) <= n(target) + 1e-12)
    h = x[k + 1] - x[k]
    numbers = [n(part) for part in (h, y[k], y[k + 1], d[k], d[k + 1])]
    root = brentq(lambda t: _cubic(t, *numbers) - n(target), -0.01, 1.01, xtol=1e-15)
    tiny = 1e-6
    steep = (_cubic(root + tiny, *numbers) - _cubic(root - tiny, *numbers)) / (2 * tiny)
    rise = _exact_slope(root, *numbers)
    assert abs(rise - steep) < 1e-4 * abs(rise)
    miss = _cubic(root, h, y[k], y[k + 1], d[k], d[k + 1]) - target
    return x[k] + h * (root - miss / rise)


def _exact_slope(t: float, h: float, y0: float, y1: float, d0: float, d1: float) -> float:
    return 6 * t * (t - 1) * (y0 - y1) + (1 - t) * (1 - 3 * t) * h * d0 + t * (3 * t - 2) * h * d1


@dataclass
class Curves:
    """One sitting's steps, every reading with its errors: numbers of the package."""

    speed: list[Any]
    fan: list[Any]
    flow: list[Any]
    room: Any


def add(package: Package, level: Any, room: Any) -> Any:
    """Add a room to a level by energy."""
    return TEN * package.log(package.exp(level / TEN) + package.exp(room / TEN))


def without(package: Package, total: Any, room: Any) -> Any:
    """Take a room out of a level by energy."""
    return TEN * package.log(package.exp(total / TEN) - package.exp(room / TEN))


def curves_of(
    package: Package, errors: Errors, rows: list[dict[str, Any]], sizes: Sizes, *, true: bool
) -> Curves:
    """Give every reading of a sitting its errors."""
    model = rows[0]["model"]
    meter = sizes.meter * errors("meter") if true else 0.0
    room = (
        rows[0]["background [dBA]"]
        + meter
        + sizes.display * errors("display", "room")
        + sizes.flicker * errors("flicker", "room")
    )
    on_fan = sizes.position * errors("position", model) + sizes.tone * errors("tone", model)
    x, fan, flow = [], [], []
    for row in rows:
        step = row["drive [V]"]
        total = (
            row["noise [dBA]"]
            + meter
            + sizes.display * errors("display", model, step)
            + sizes.flicker * errors("flicker", model, step)
        )
        fan.append(without(package, total, room) + on_fan)
        x.append(row["speed [rpm]"] + sizes.tachometer * errors("tachometer", model, step))
        read = row["airflow none [fpm]"]
        flow.append(
            read
            + read * sizes.vane * errors("vane")
            + read * sizes.swirl * errors("swirl", model)
            + sizes.wobble * errors("wobble", model, step)
        )
    return Curves(x, fan, flow, room)


def airflow_at_equal_noise(
    package: Package,
    errors: Errors,
    rows: list[dict[str, Any]],
    level: float,
    scope: str,
    sizes: Sizes,
    *,
    true: bool = False,
) -> Any:
    """Airflow through "none" of one sitting at a level that includes the room."""
    model = rows[0]["model"]
    found = curves_of(package, errors, rows, sizes, true=true)
    x, fan, flow, room = found.speed, found.fan, found.flow, found.room
    target = without(package, level + 0.0 * errors("meter"), room)
    old_e, old_f = errors("e", model), errors("f", model)
    new_e, new_f = errors("new e", model), errors("new f", model)
    if scope != "tested unit":
        target = target + sizes.noise_luck * old_e
    if scope == "next unit":
        target = target - sizes.noise_luck * new_e
    at = package.exp(solved(package, [package.log(part) for part in x], fan, target))
    at = at * (1 + sizes.curve * errors("curve", model))
    found = value_at(package, x, flow, at)
    if scope != "tested unit":
        found = found / (1 + sizes.airflow_luck * old_f)
    if scope == "next unit":
        found = found * (1 + sizes.airflow_luck * new_f)
    return found


def at_equal_drive(
    package: Package,
    errors: Errors,
    rows: list[dict[str, Any]],
    drive: float,
    scope: str,
    sizes: Sizes,
) -> dict[str, Any]:
    """Speed, noise in the room, and airflow through "none" of one sitting at one drive."""
    model = rows[0]["model"]
    found = curves_of(package, errors, rows, sizes, true=True)
    steps = [row["drive [V]"] for row in rows]
    at = value_at(package, steps, found.speed, drive)
    if scope != "tested unit":
        at = at / (1 + sizes.speed_luck * errors("s", model))
    if scope == "next unit":
        at = at * (1 + sizes.speed_luck * errors("new s", model))
    return {"speed": at, **_at_speed(package, errors, found, at, model, scope, sizes)}


def at_equal_speed(
    package: Package,
    errors: Errors,
    rows: list[dict[str, Any]],
    speed: float,
    scope: str,
    sizes: Sizes,
) -> dict[str, Any]:
    """Noise in the room and airflow through "none" of one sitting at one speed."""
    found = curves_of(package, errors, rows, sizes, true=True)
    return _at_speed(package, errors, found, speed, rows[0]["model"], scope, sizes)


def _at_speed(
    package: Package,
    errors: Errors,
    found: Curves,
    at: Any,
    model: str,
    scope: str,
    sizes: Sizes,
) -> dict[str, Any]:
    lg = [package.log(part) for part in found.speed]
    off = at / (1 + sizes.curve * errors("curve", model)) if sizes.curve else at
    level = value_at(package, lg, found.fan, package.log(off))
    flow = value_at(package, found.speed, found.flow, at)
    if scope != "tested unit":
        level = level - sizes.noise_luck * errors("e", model)
        flow = flow / (1 + sizes.airflow_luck * errors("f", model))
    if scope == "next unit":
        level = level + sizes.noise_luck * errors("new e", model)
        flow = flow * (1 + sizes.airflow_luck * errors("new f", model))
    return {"noise": add(package, level, found.room), "airflow": flow}
