"""Run cases bench by bench, keep what is found in a file, go on from it after an interruption."""

from __future__ import annotations

import json
import math
import os
import time
from collections import defaultdict
from collections.abc import Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

from tqdm import tqdm

from benchmarks.calibration import bands, coverage, decisions, plans, retests
from benchmarks.calibration.cases import Case, Figures

# Every case advances by one such part at a time, so a run that is cut short is short everywhere.
ROUNDS = 20

Key = tuple[str, str]
Results = dict[Key, dict[int, Figures]]


def all_cases() -> list[Case]:
    """Give all cases in the order of the report."""
    found = [
        *coverage.cases(), *bands.cases(), *decisions.cases(), *retests.cases(), *plans.cases()
    ]  # fmt: skip
    keys = [(case.study, case.name) for case in found]
    assert len(set(keys)) == len(keys), "two cases share a name"
    return found


def _find(key: Key) -> Case:
    return next(case for case in all_cases() if (case.study, case.name) == key)


def run_part(key: Key, seeds: list[int]) -> tuple[Key, dict[int, Figures], float]:
    """Simulate some benches of one case; in a process of its own where there are several."""
    case, start = _find(key), time.process_time()
    found = {seed: case.run(case, seed) for seed in seeds}
    return key, found, time.process_time() - start


def read_results(path: Path, cases: list[Case]) -> Results:
    """Read what an earlier run left, as far as it stems from the same definitions."""
    stamps = {(case.study, case.name): case.stamp for case in cases}
    results: Results = defaultdict(dict)
    if not path.exists():
        return results
    for line in path.read_text(encoding="utf-8").splitlines():
        try:
            row = json.loads(line)
        except json.JSONDecodeError:  # the line that was being written when it stopped
            continue
        key = (row["study"], row["name"])
        if stamps.get(key) == row["stamp"]:
            results[key][row["seed"]] = {name: tuple(f) for name, f in row["figures"].items()}
    return results


def _parts(cases: list[Case], wanted: Mapping[Key, int], done: Results) -> Iterator[tuple]:
    """Give what is left to do, all cases in turn."""
    for part in range(ROUNDS):
        for case in cases:
            key = (case.study, case.name)
            size = math.ceil(wanted[key] / ROUNDS)
            seeds = range(part * size, min((part + 1) * size, wanted[key]))
            left = [seed for seed in seeds if seed not in done[key]]
            if left:
                yield key, left


def run(
    cases: list[Case],
    *,
    path: Path,
    quick: bool,
    workers: int = 1,
    minutes: float = math.inf,
) -> tuple[Results, dict[Key, float]]:
    """Run what is not in the file yet; give all results, and processor seconds by case.

    Parameters
    ----------
    cases : list of Case
    path : Path
        JSON lines, one a bench; appended to.
    quick : bool
    workers : int
        Processes.
    minutes : float
        Begin nothing new after so long.
    """
    results = read_results(path, cases)
    wanted = {(c.study, c.name): c.quick if quick else c.benches for c in cases}
    for key, found in results.items():
        results[key] = {seed: f for seed, f in found.items() if seed < wanted[key]}
    stamps = {(case.study, case.name): case.stamp for case in cases}
    parts = list(_parts(cases, wanted, results))
    seconds: dict[Key, float] = defaultdict(float)
    end = time.monotonic() + 60 * minutes
    # Threads of linear algebra would only get into each other's way.
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    total = sum(len(seeds) for _, seeds in parts)
    with path.open("a", encoding="utf-8") as file, tqdm(total=total, unit="bench") as bar:
        for key, found, took in _done(parts, workers, end):
            seconds[key] += took
            for seed, figures in found.items():
                row = {"study": key[0], "name": key[1], "stamp": stamps[key], "seed": seed}
                file.write(json.dumps({**row, "figures": figures}) + "\n")
            file.flush()
            results[key].update(found)
            bar.set_description(key[0])
            bar.update(len(found))
    return results, seconds


def _done(parts: list[tuple], workers: int, end: float) -> Iterator[tuple]:
    if workers == 1:
        for part in parts:
            if time.monotonic() > end:
                return
            yield run_part(*part)
        return
    with ProcessPoolExecutor(workers) as pool:
        todo, waiting = iter(parts), set()
        while True:
            while len(waiting) < 2 * workers and time.monotonic() < end:
                part = next(todo, None)
                if part is None:
                    break
                waiting.add(pool.submit(run_part, *part))
            if not waiting:
                return
            ready = next(as_completed(waiting))
            waiting.remove(ready)
            yield ready.result()
