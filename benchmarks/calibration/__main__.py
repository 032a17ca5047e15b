"""``python -m benchmarks.calibration [--quick] [--only NAME] [--out FILE] [--workers 2]``.

``--readme`` puts the short table into README; the whole one belongs into
``benchmarks/calibration_results.md``.
"""

from __future__ import annotations

import argparse
import math
import os
import shlex
import sys
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

from benchmarks import in_readme
from benchmarks.calibration.readme import short
from benchmarks.calibration.report import markdown, misses
from benchmarks.calibration.running import all_cases, run


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.calibration")
    parser.add_argument("--quick", action="store_true", help="about a tenth of the benches")
    parser.add_argument("--only", default="", help="studies or scenarios whose name holds this")
    parser.add_argument("--out", type=Path, help="write the tables there too")
    parser.add_argument("--workers", type=int, choices=(1, 2), default=1, help="processes")
    parser.add_argument(
        "--minutes",
        type=float,
        default=math.inf,
        help="begin nothing new after so long; the tables show what there is",
    )
    parser.add_argument("--found", type=Path, default=Path("calibration.jsonl"),
                        help="file of single benches, from which a run goes on")  # fmt: skip
    parser.add_argument("--readme", action="store_true", help="put the short table into README")
    parser.add_argument("--seconds", action="store_true", help="say which scenarios took how long")
    return parser.parse_args()


def main() -> None:
    """Print the tables."""
    asked = _arguments()
    cases = [c for c in all_cases() if asked.only.lower() in f"{c.study}: {c.name}".lower()]
    if not cases:
        sys.exit(f"No scenario has {asked.only!r} in its name.")
    results, seconds = run(
        cases, path=asked.found, quick=asked.quick, workers=asked.workers, minutes=asked.minutes
    )
    options = [word for word in sys.argv[1:] if word in {"--quick"} or asked.only == word != ""]
    command = shlex.join(["python", "-m", "benchmarks.calibration", *options])
    text = markdown(results, cases, command)
    print(text)
    if asked.out:
        asked.out.write_text(text, encoding="utf-8")
    print("Missed:", *(misses(text) or ["nothing"]), sep="\n")
    if asked.readme:
        in_readme.put("calibration", short(results, cases))
    if asked.seconds:
        for (study, name), took in seconds.items():
            print(f"{took:7.1f} s  {study}: {name}", file=sys.stderr)
        print(f"{sum(seconds.values()):7.1f} s  in all", file=sys.stderr)


if __name__ == "__main__":
    main()
