"""Draw the README's pictures from the packaged, invented data."""

from __future__ import annotations

from pathlib import Path

from matplotlib.figure import Figure

import fanstats as fs

IMAGES = Path(__file__).parent / "images"


def main() -> None:
    """Write the pictures."""
    readings, bench = fs.demo.readings(), fs.demo.bench()
    estimates = fs.equal_noise(readings, 33, bench=bench, rng=2026)
    ranking = fs.rank(estimates, quantity="airflow", obstruction="insect screen")
    figure = Figure(figsize=(8.0, 5.4), layout="constrained")
    fs.charts.ranked(ranking, ax=figure.add_subplot())
    figure.savefig(IMAGES / "ranked.png", dpi=110)
    figure = Figure(figsize=(8.0, 5.0), layout="constrained")
    fs.charts.noise_airflow(
        readings,
        ["Varnost Lull", "Tamberly Drift 8"],
        bench=bench,
        obstruction="insect screen",
        rng=2026,
        ax=figure.add_subplot(),
    )
    figure.savefig(IMAGES / "curves.png", dpi=110)


if __name__ == "__main__":
    main()
