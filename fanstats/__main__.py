"""The whole job from a terminal: ``python -m fanstats [READINGS] --bench BENCH --noise LEVEL``."""

from __future__ import annotations

import argparse
import os
import sys
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Final

import fanstats as fs
from fanstats._arguments import bare_number
from fanstats.cautions import ABOUT_BENCH, ABOUT_RESULTS
from fanstats.errors import FanstatsError, FanstatsWarning
from fanstats.output.bench_template import scatter_text, write_bench_template
from fanstats.output.page import write_page
from fanstats.output.printed import ranked_cases, ranking_text, standing_text
from fanstats.output.report import write_charts, write_tables, write_workbook
from fanstats.quantities import units_label

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import xarray as xr

_BENCH = Path("bench.toml")
# What messages call an argument of the library, against the option here.
_OPTIONS: Final[Mapping[str, str]] = {
    "fill_down=": "--fill-down COLUMN",
    "sheets=": "--sheets NAME",
    "header_row=": "--header-row N",
    "decimal=": "--decimal MARK",
    "thousands=": "--thousands MARK",
    "columns=": "a table [columns] in the bench file",
    "target='true'": "--target true",
    "carried=True": "carried = true below [noise] (or what else it was) in the bench file",
}
_DEMO = "Invented demo data: makers, models and readings are made up."


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m fanstats",
        description="Compare cooling fans at equal noise, with the luck of the sample counted in.",
        epilog=" ".join(ABOUT_RESULTS),
    )
    parser.add_argument(
        "readings",
        nargs="?",
        metavar="READINGS",
        help="table of readings, .csv or .xlsx; without it the invented demo",
    )
    parser.add_argument(
        "--bench",
        metavar="BENCH",
        help="bench file, .toml; without it one to fill in is written to bench.toml",
    )
    parser.add_argument("--noise", type=_level, metavar="LEVEL", help="noise level to read off at")
    parser.add_argument(
        "-o",
        "--out",
        default="fanstats-out",
        metavar="DIR",
        help="folder for tables and charts (default: fanstats-out)",
    )
    parser.add_argument(
        "--seed",
        type=int,
        metavar="N",
        help="root of all draws; without it a fresh one is drawn and printed",
    )
    parser.add_argument(
        "--sheets",
        action="append",
        metavar="NAME",
        help="sheet that holds readings, once for each; all: every sheet, each its own fan where "
        "it has no column model (default: the first that holds readings)",
    )
    parser.add_argument(
        "--fill-down",
        action="append",
        default=[],
        metavar="COLUMN",
        help="column whose blank cells repeat the cell above, once for each",
    )
    parser.add_argument(
        "--header-row", type=int, metavar="N", help="row of the header, where it is not found"
    )
    parser.add_argument(
        "--decimal", choices=(".", ","), help="decimal mark of numbers written as text"
    )
    parser.add_argument("--thousands", metavar="MARK", help="mark between thousands, such as .")
    parser.add_argument(
        "--target",
        choices=("as read", "true"),
        default="as read",
        help="whether the level is one on this meter (default), or the true one: where rigs have "
        "meters of their own",
    )
    parser.add_argument("--draws", type=int, default=10_000, metavar="N", help="draws (10000)")
    return parser


def _level(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        msg = f"a noise level is a number such as 33.5; got {text!r}.{bare_number(text)}"
        raise argparse.ArgumentTypeError(msg) from None


def _inputs(options: argparse.Namespace) -> tuple[xr.Dataset, fs.Bench, float]:
    if options.readings is None:
        if options.bench is not None:
            msg = "--bench goes with a table of readings; without one the demo runs on its own."
            raise FanstatsError(msg)
        level = fs.demo.NOISE_LEVEL if options.noise is None else options.noise
        return fs.demo.readings(), fs.demo.bench(), level
    if options.bench is None:
        raise FanstatsError(_without_bench(options))
    if options.noise is None:
        msg = "--noise LEVEL is missing: the level to read every model off at, such as 36."
        raise FanstatsError(msg)
    bench = fs.read_bench(options.bench)
    return _readings(options, bench.columns), bench, options.noise


def _readings(options: argparse.Namespace, columns: dict[str, str]) -> xr.Dataset:
    sheets = options.sheets
    return fs.read_readings(
        options.readings,
        columns=columns or None,
        sheets="all" if sheets == ["all"] else sheets,
        fill_down=options.fill_down,
        header_row=options.header_row,
        decimal=options.decimal,
        thousands=options.thousands,
    )


def _without_bench(options: argparse.Namespace) -> str:
    """Write a bench file to fill in, print what the readings tell of it, say what to do."""
    readings = _readings(options, {})
    print(fs.load_report(readings))
    print(scatter_text(readings))
    missing = (
        "--bench BENCH is missing: a bench file says what the instruments are good for, and "
        "nothing is assumed for it."
    )
    if _BENCH.exists():
        found = f"{_BENCH} stands here already and was left as it is"
    else:
        write_bench_template(_BENCH, readings)
        found = f"{_BENCH} was written: put your numbers into it"
    return f"{missing} {found}; then say --bench {_BENCH}."


def _run(options: argparse.Namespace) -> None:
    readings, bench, level = _inputs(options)
    estimates = fs.equal_noise(
        readings,
        level,
        bench=bench,
        draws=options.draws,
        rng=options.seed,
        target=options.target,
    )
    units = units_label(str(estimates.attrs["level_units"]))
    if options.readings is None:
        print(_DEMO)
    print(fs.load_report(readings))
    print(f"Equal noise, {level:g} {units}; {options.draws} draws, "
          f"root {estimates['root'].item()} (--seed draws them again)\n")  # fmt: skip
    for name, obstruction in ranked_cases(estimates):
        print(ranking_text(estimates, name, obstruction), end="\n\n")
    print(standing_text(estimates), end="\n\n")
    written = write_tables(estimates, options.out)
    written.append(write_workbook(estimates, Path(options.out) / "results.xlsx"))
    written += write_charts(estimates, readings, bench, options.out)
    note = _DEMO if options.readings is None else ""
    written.append(write_page(estimates, readings, bench, options.out, note=note))
    print(f"Written to {Path(options.out)}: {', '.join(path.name for path in written)}")
    for caution in (*ABOUT_RESULTS, *ABOUT_BENCH):
        print(f"Caution: {caution}")


def _here(message: str) -> str:
    """Say what the arguments in a message are called on the command line."""
    named = [f"{ours} is {option}" for ours, option in _OPTIONS.items() if ours in message]
    return f" (On the command line {', '.join(named)}.)" if named else ""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the job.

    Parameters
    ----------
    arguments : sequence of str, optional
        Command line; that of the process by default.

    Returns
    -------
    int
        0, or 2 where the input was at fault; the one line says how. 130 after an interrupt:
        what was written by then is whole.
    """
    options = _parser().parse_args(arguments)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", FanstatsWarning)  # the load report says it all
            _run(options)
    except FanstatsError as error:
        print(f"fanstats: {error}{_here(str(error))}", file=sys.stderr)
        return 2
    except BrokenPipeError:  # whoever read the output has seen enough, as in `... | head`
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except OSError as error:
        place = error.filename or options.out
        print(f"fanstats: {place} cannot be written: {error.strerror}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("fanstats: interrupted; what was written by now is whole", file=sys.stderr)
        return 130
    return 0


if __name__ == "__main__":
    sys.exit(main())
