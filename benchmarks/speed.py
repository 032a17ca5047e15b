"""How fast, as ratios within one run: ``python -m benchmarks.speed [--quick] [--readme]``.

The plain references stand here too, so that every ratio compares two things this machine did in
the same minute. Nothing here is a test: seconds depend on the machine, ratios hardly do.
"""

from __future__ import annotations

import argparse
import os
import platform
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime

import numpy as np
import pandas as pd
import uncertainties
import xarray as xr
from uncertainties import umath

import fanstats as fs
from benchmarks import in_readme
from fanstats._typing import FloatArray
from fanstats.engine.answers import ask
from fanstats.engine.first_order import effects_of
from fanstats.engine.question import Question
from tests.chain import Errors, Package, Sizes, curves_of, solved, value_at

STEPS = (5.0, 6.5, 8.0, 10.0, 12.0)
OBSTRUCTIONS = ("none", "wire mesh", "filter")
TARGET = 36.0
ROOM = 24.0
DRAWS = 10_000

BENCH = fs.Bench(
    noise=fs.Instrument(
        shared=fs.half_width(1.0),
        sitting=fs.standard(0.2),
        model=fs.half_width(0.5),
        reading=fs.standard(0.15),
    ),
    speed=fs.Instrument(reading=fs.standard(4.0)),
    airflow=fs.Instrument(shared=fs.half_width("3 %"), reading=fs.standard("1 %")),
    spread=fs.UnitSpread(
        noise=fs.standard(0.8), airflow=fs.standard("2 %"), speed=fs.half_width("10 %")
    ),
)


def table(models: int) -> pd.DataFrame:
    """Invent models that all reach the target inside their sweep."""
    rng = np.random.default_rng(models)
    rows = []
    for m in range(models):
        mid, level, flow = rng.uniform(700, 1100), rng.uniform(34.5, 37.0), rng.uniform(300, 500)
        for v in STEPS:
            n = mid * (v / 8) ** 0.9
            fan = level + 52 * np.log10(n / mid)
            row = {
                "model": f"M{m:04d}",
                "session": f"s{m % 5}",
                "drive [V]": v,
                "speed [rpm]": n,
                "noise [dBA]": 10 * np.log10(10 ** (fan / 10) + 10 ** (ROOM / 10)),
                "background [dBA]": ROOM,
            }
            for place, factor in zip(OBSTRUCTIONS, (1.0, 0.75, 0.6), strict=True):
                row[f"airflow {place} [fpm]"] = flow * n / mid * factor
            rows.append(row)
    return pd.DataFrame(rows)


def timed(call: Callable[[], object], repeats: int) -> float:
    """Median seconds of a few calls."""
    found = []
    for _ in range(repeats):
        start = time.perf_counter()
        call()
        found.append(time.perf_counter() - start)
    return statistics.median(found)


def job(readings, draws: int = DRAWS) -> None:
    """Equal noise, a ranking with every pair, on one obstruction."""
    estimates = fs.equal_noise(readings, TARGET, bench=BENCH, draws=draws, rng=1)
    fs.rank(estimates, quantity="airflow", obstruction="none")


def plain_normals(models: int) -> None:
    """Draw the normals a plain program would: every reading, the shared errors and the luck."""
    rng = np.random.default_rng(0)
    per_model = len(STEPS) * (2 + len(OBSTRUCTIONS)) + 2 + 4
    for _ in range(models):
        rng.standard_normal((per_model, DRAWS))


def plain_loop(models: int, draws: int) -> None:
    """Loop over draws with numpy.interp: noise to speed, speed to airflow, three scopes."""
    rng = np.random.default_rng(0)
    frame = table(models)
    speed = frame["speed [rpm]"].to_numpy().reshape(models, -1)
    noise = frame["noise [dBA]"].to_numpy().reshape(models, -1)
    flows = [frame[f"airflow {o} [fpm]"].to_numpy().reshape(models, -1) for o in OBSTRUCTIONS]
    for m in range(models):
        for _ in range(draws):
            n = speed[m] + rng.normal(size=len(STEPS)) * 4
            level = noise[m] + rng.normal(size=len(STEPS)) * 0.15 + rng.normal() * 0.2
            q = [f[m] * (1 + rng.normal(size=len(STEPS)) * 0.01) for f in flows]
            e, e_new = rng.normal() * 0.8, rng.normal() * 0.8
            for target in (TARGET, TARGET + e, TARGET + e - e_new):
                at = np.interp(target, level, n)
                for values in q:
                    np.interp(at, n, values)


def uncertainties_sums(frame: pd.DataFrame) -> list[float]:
    """Give the chart's standard uncertainties, three scopes and obstructions, by that package."""
    package = Package(
        error=lambda: uncertainties.ufloat(0.0, 1.0),
        log=umath.log,
        exp=umath.exp,
        nominal=lambda number: getattr(number, "nominal_value", number),
    )
    found = []
    errors = Errors(package)
    for model, rows in frame.groupby("model"):
        found += _sums_of_one(package, errors, str(model), rows.to_dict("records"))
    return found


def _sums_of_one(package: Package, errors: Errors, model: str, rows: list[dict]) -> list[float]:
    sizes = Sizes(swirl=0.0, display=0.0, tone=0.5 / np.sqrt(3.0), wobble=0.0)
    curves = curves_of(package, errors, rows, sizes, true=False)
    flows = [
        [
            row[f"airflow {place} [fpm]"]
            * (1 + sizes.vane * errors("vane") + 0.01 * errors("vane reading", model, place, k))
            for k, row in enumerate(rows)
        ]
        for place in OBSTRUCTIONS
    ]
    x = [package.log(speed) for speed in curves.speed]
    reached = 10 * np.log10(10 ** (TARGET / 10) - 10 ** (ROOM / 10))
    own, new = 0.8 * errors("e", model), 0.8 * errors("new e", model)
    found = []
    for target, factor in (
        (reached, 1.0),
        (reached + own, 1.0 / (1 + 0.02 * errors("f", model))),
        (
            reached + own - new,
            (1 + 0.02 * errors("new f", model)) / (1 + 0.02 * errors("f", model)),
        ),
    ):
        at = package.exp(solved(package, x, curves.fan, target))
        found += [(value_at(package, curves.speed, flow, at) * factor).std_dev for flow in flows]
    return found


def first_order(readings: xr.Dataset) -> tuple[FloatArray, FloatArray]:
    """Give standard uncertainties, shape (obstruction, scope, model), and one covariance."""
    question = Question(kind="equal noise", at=(TARGET,), target="as read", room=ROOM)
    asked = ask(readings, BENCH, question)[0]
    channels = [("airflow", name) for name in OBSTRUCTIONS]
    found = effects_of(asked, channels, range(len(asked.layout.models)))
    sizes = [
        [found.standard_uncertainty(found.of(channel, scope)) for scope in range(3)]
        for channel in channels
    ]
    of_models = found.of(channels[0], 1)
    return np.array(sizes), (of_models @ of_models.T).toarray()


def first_order_ratio(models: int) -> tuple[float, float]:
    """How many times faster first order is than `uncertainties`, and how far the two lie apart."""
    frame = table(models)
    readings = fs.read_readings(frame)
    few = 10
    some = frame[: few * len(STEPS)]
    theirs = np.array(uncertainties_sums(some)).reshape(few, 3, len(OBSTRUCTIONS))
    u, _ = first_order(readings)
    worst = float(np.max(np.abs(u[:, :, :few].transpose(2, 1, 0) / theirs - 1.0)))
    ours = timed(lambda: first_order(readings), 3) / models
    return timed(lambda: uncertainties_sums(some), 3) / few / ours, worst


def peak_memory(models: int) -> tuple[float, float]:
    """Seconds and peak resident megabytes of one job in a process of its own."""
    code = f"""
import resource, time
from benchmarks.speed import BENCH, DRAWS, TARGET, fs, table
readings = fs.read_readings(table({models}))
start = time.perf_counter()
estimates = fs.equal_noise(readings, TARGET, bench=BENCH, draws=DRAWS, rng=1)
seconds = time.perf_counter() - start
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(seconds, peak - estimates.nbytes / 2**20)
"""
    found = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    seconds, megabytes = map(float, found.stdout.split())
    return seconds, megabytes


def import_seconds(module: str) -> float:
    """Seconds to import a module in a fresh process, the interpreter's own start left out."""
    code = f"import time; t = time.perf_counter(); import {module}; print(time.perf_counter() - t)"
    found = [
        float(
            subprocess.run(
                [sys.executable, "-c", code], check=True, capture_output=True, text=True
            ).stdout
        )
        for _ in range(5)
    ]
    return min(found)


def rows(*, quick: bool) -> Iterator[tuple[str, str, str]]:
    """Measure; give what, figure and target, one after the other."""
    models, repeats = (40, 1) if quick else (200, 3)
    readings = fs.read_readings(table(models))
    job(readings, 500)
    ours = timed(lambda: job(readings), repeats)
    normals = timed(lambda: plain_normals(models), repeats)
    loop_draws = 20
    loop = timed(lambda: plain_loop(models, loop_draws), 1) * DRAWS / loop_draws
    size = f"{models} models x {len(STEPS)} steps x {len(OBSTRUCTIONS)} obstructions x {DRAWS:,}"
    yield f"equal noise, ranking, every pair: {size} draws", f"{ours:.1f} s", ""
    yield "over drawing a plain program's normals", f"{ours / normals:.2f}", "at most 2"
    yield "a plain loop with `numpy.interp` over it", f"{loop / ours:.0f}", "at least 20"
    many = 200 if quick else 2000
    ratio, apart = first_order_ratio(many)
    yield (
        f"`uncertainties` over first order, {many:,} models, u and covariance",
        f"{ratio:.0f}",
        ("at least 60"),
    )
    yield "largest difference of the two, relative", f"{apart:.0e}", "at most 1e-9"
    sizes = (20, 60) if quick else (20, 200, 2000)
    growth = [peak_memory(size) for size in sizes]
    slope = np.polyfit(np.log(sizes), np.log([seconds for seconds, _ in growth]), 1)[0]
    ends = f"{sizes[0]} to {sizes[-1]:,} models"
    yield f"growth of time, {ends}: log-log slope", f"{slope:.2f}", "at most 1.1"
    yield (
        f"peak memory above the result, {sizes[-1]:,} models",
        f"{growth[-1][1]:.0f} MB",
        "below 1000 MB",
    )
    own = import_seconds("fanstats")
    heaviest = max(import_seconds(m) for m in ("scipy.stats", "statsmodels.api", "xarray"))
    yield "import over its heaviest dependency's", f"{own / heaviest:.2f}", "below 1.5"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="smaller, for a first look")
    parser.add_argument("--readme", action="store_true", help="put the table into README")
    asked = parser.parse_args()
    names = ["what", "measured", "target"]
    found = pd.DataFrame(rows(quick=asked.quick), columns=names)
    text = found.to_markdown(index=False, disable_numparse=True)
    about = (
        f"Made by `python -m benchmarks.speed`, {datetime.now(UTC):%Y-%m-%d}: Python "
        f"{platform.python_version()}, numpy {np.__version__}, {platform.machine()}, "
        f"{len(os.sched_getaffinity(0))} processors."
    )
    print(f"{text}\n\n{about}")
    if asked.readme:
        in_readme.put("speed", f"{text}\n\n{about}")


if __name__ == "__main__":
    main()
