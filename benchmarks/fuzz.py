"""Hostile input, at length: ``python -m benchmarks.fuzz [--inputs N] [--minutes N] [--guided]``.

Every input must give a right result or the library's own error (exit code 2 on the command line).
By default inputs are made at random from parts that tables, workbooks, bench files, charts and
command lines are made of. With ``--guided`` the coverage-guided fuzzer atheris, where it is
installed, mutates the bytes of tables and bench files towards code not yet reached.
"""

from __future__ import annotations

import argparse
import collections
import importlib
import math
import random
import sys
import tempfile
import time
import traceback
from pathlib import Path
from typing import Any

# Out of 1000 inputs; a command that succeeds draws charts, which takes a second.
SHARES = {"csv": 560, "xlsx": 240, "bench": 150, "chart": 45, "command": 5}


def _attempt(kind: str, rng: random.Random, folder: Path) -> str:
    """Make one input and hand it in; say what came of it."""
    from tests import hostile

    if kind == "csv":
        data, options = hostile.csv_input(rng)
        return "read" if hostile.check_readings(data, **options) else "refused"
    if kind == "xlsx":
        data, options = hostile.xlsx_input(rng)
        return "read" if hostile.check_readings(data, **options) else "refused"
    if kind == "bench":
        return "read" if hostile.check_bench(hostile.bench_input(rng)) else "refused"
    if kind == "chart":
        values, options = hostile.chart_input(rng)
        return "read" if hostile.check_chart(values, **options) else "refused"
    own = Path(tempfile.mkdtemp(dir=folder))
    code = hostile.check_command(hostile.command_input(rng, own), own)
    return "read" if code == 0 else "refused"


def at_random(inputs: int, seed: int, only: str | None, minutes: float) -> int:
    """Try inputs made at random until there were enough or time is up; give how many went wrong."""
    counts: collections.Counter[tuple[str, str]] = collections.Counter()
    faults: dict[str, int] = {}
    kinds = [only] if only else list(SHARES)
    weights = [1 if only else SHARES[kind] for kind in kinds]
    started = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        for number in range(inputs):
            if time.perf_counter() - started > 60.0 * minutes:
                break
            rng = random.Random(f"{seed}/{number}")
            kind = rng.choices(kinds, weights)[0]
            try:
                counts[kind, _attempt(kind, rng, Path(folder))] += 1
            except Exception as error:  # what the search is for
                counts[kind, "WRONG"] += 1
                place = traceback.extract_tb(error.__traceback__)[-1]
                key = (
                    f"{kind}: {type(error).__name__} at {Path(place.filename).name}:{place.lineno}"
                )
                if faults.setdefault(key, number) == number:
                    print(f"input {seed}/{number}: {key}: {str(error)[:200]}", flush=True)
    for kind in kinds:
        told = ", ".join(f"{counts[kind, what]} {what}" for what in ("read", "refused", "WRONG"))
        print(f"{kind:8s} {told}")
    seconds = time.perf_counter() - started
    print(f"{counts.total()} inputs in {seconds:.0f} s, {len(faults)} kinds of fault")
    return sum(count for (_, what), count in counts.items() if what == "WRONG")


def guided(inputs: int, seed: int) -> None:
    """Let atheris mutate bytes; it stops at the first fault and prints the input."""
    atheris: Any = importlib.import_module("atheris")
    with atheris.instrument_imports(include=["fanstats"]):
        from tests import hostile

    def one(data: bytes) -> None:
        if data[:1] == b"b":
            hostile.check_bench(data[1:])
        else:
            hostile.check_readings(data[1:])

    with tempfile.TemporaryDirectory() as corpus:
        rng = random.Random(seed)
        for number in range(200):
            table, _ = hostile.csv_input(rng)
            (Path(corpus) / f"t{number}").write_bytes(b"t" + table)
            (Path(corpus) / f"b{number}").write_bytes(b"b" + hostile.bench_input(rng))
        atheris.Setup([sys.argv[0], corpus, f"-runs={inputs}", "-max_len=4096"], one)
        atheris.Fuzz()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--inputs", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=math.inf)
    parser.add_argument("--only", choices=list(SHARES))
    parser.add_argument("--guided", action="store_true")
    options = parser.parse_args()
    if options.guided:
        guided(options.inputs, options.seed)
    elif at_random(options.inputs, options.seed, options.only, options.minutes):
        sys.exit(1)


if __name__ == "__main__":
    main()
