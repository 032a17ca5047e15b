"""The benches that are pinned: readings of invented fans, what is stated, what is asked."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any, Final

import fanstats as fs
from tests.pins import adapter
from tests.pins.figures import DRAWS, ROOT, Figures
from tests.pins.tables import (
    ALDWICK,
    BREMMEL,
    CORROW,
    DOOR,
    DUNLIT,
    ESKER,
    FIVE,
    OPEN,
    PAD,
    SCREEN,
    sweep,
    sweeps,
    table,
)

A, B, C, D, E = (fan.name for fan in FIVE)
BENCHES: Final[dict[str, Callable[[Figures], None]]] = {}
Case = Callable[[Figures], None]


def case(name: str) -> Callable[[Case], Case]:
    """List a bench under its name."""

    def listed(make: Case) -> Case:
        BENCHES[name] = make
        return make

    return listed


def pinned(name: str) -> Figures:
    """Work out every figure of one bench."""
    figures = Figures(name)
    BENCHES[name](figures)
    return figures


# What is stated --------------------------------------------------------------------------------

SPREAD: Final = fs.UnitSpread(
    speed=fs.half_width("10 %"),
    noise=fs.standard(0.7),
    airflow=fs.standard("2 %"),
    temperature=fs.standard(0.6),
)
METER: Final = fs.Instrument(
    shared=fs.half_width(0.8, name="meter calibration"),
    session=fs.standard(0.2, name="calibrator"),
    sitting=fs.standard(0.2, name="microphone position"),
    model=fs.half_width(0.4, name="tone"),
    reading=[fs.half_width(0.05, name="display"), fs.standard(0.1, name="flicker")],
)
TACHO: Final = fs.Instrument(
    shared=[], session=[], sitting=[], model=[], reading=fs.standard(4.0, name="tachometer")
)
VANE: Final = fs.Instrument(
    shared=fs.half_width("2 %", name="vane calibration"),
    session=fs.standard("0.4 %", name="drift"),
    sitting=fs.standard("0.5 %", name="centring"),
    model=fs.standard("0.8 %", name="swirl"),
    reading=[fs.half_width(0.005, name="display"), fs.standard("0.8 %", name="wobble")],
)
PROBE: Final = fs.Instrument(
    shared=fs.half_width(0.5, name="sensor"),
    reading=[fs.half_width(0.05, name="display"), fs.standard(0.2, name="settling")],
)
STATED: Final = fs.Bench(noise=METER, speed=TACHO, airflow=VANE, temperature=PROBE, spread=SPREAD)
AIR: Final[dict[str, Any]] = {"quantity": "airflow", "obstruction": SCREEN}
FREE: Final[dict[str, Any]] = {"quantity": "airflow", "obstruction": OPEN}
PRICES: Final = {A: 19.0, B: 14.5, C: 16.0, D: 9.9, E: {"price": 21.0, "pack": 2}}


# The demo --------------------------------------------------------------------------------------

# Whose sweep ends near 33 dBA, or begins above it.
NEAR_ENDS: Final = ("Varnost Lull", "Fennimoor Gust", "Ostwick Mono")
BEGIN_NEAR_28: Final = (
    "Tamberly Drift 8", "Quenhurst 24P", "Sorrelby N1", "Wexcombe Pale", "Fennimoor Gust",
)  # fmt: skip
READABLE: Final = ("Pellwick 80 Mild", "Ombrel Sill", "Tamberly Drift 8", "Quenhurst 24P")


@case("demo")
def _demo(figures: Figures) -> None:
    readings, bench = adapter.demo_readings(), adapter.demo_bench()
    loud = figures.ask("33 dBA", readings, bench, 33.0, bounded=NEAR_ENDS)
    loud.rank(**AIR)
    loud.compare("Varnost Lull", "Tamberly Drift 8", **AIR)
    loud.budget("Varnost Lull", **AIR)
    loud.reach(33.0)
    figures.ask("28 dBA", readings, bench, 28.0, bounded=BEGIN_NEAR_28).rank(**AIR)
    figures.ask("16 V", readings, bench, 16.0, held="drive").rank(quantity="noise")
    turning = figures.ask(
        "1800 rpm", readings, bench, 1800.0, held="speed", bounded=("Fennimoor Gust",)
    )
    turning.compare("Ombrel Sill", "Sorrelby N1", quantity="noise")
    _, told = adapter.unit_spread(readings, bench)
    figures.add("spread", "unit spread", "", told)
    figures.add("spread", "pooled slope", "slope", adapter.pooled_slope(readings, bench))
    told = adapter.power_law(readings, bench, "Varnost Lull")
    figures.add("spread", "power law of Varnost Lull", "", told)
    quiet = figures.ask("25 dBA", readings, bench, 25.0, bounded=True)
    quiet.rank(**AIR)
    quiet.reach(25.0)


@case("demo without the ends of sweeps")
def _demo_inside(figures: Figures) -> None:
    bench = adapter.demo_bench()
    asked = figures.ask("33 dBA", adapter.demo_readings(READABLE), bench, 33.0)
    asked.rank(**AIR)
    asked.compare("Ombrel Sill", "Pellwick 80 Mild", **AIR)
    asked.covariances()


# Samples, mountings, days ----------------------------------------------------------------------


@case("one sample a model")
def _one_sample(figures: Figures) -> None:
    readings = adapter.read(sweeps(FIVE, behind=(OPEN, SCREEN, PAD)))
    asked = figures.ask("33 dBA", readings, STATED, 33.0)
    for first, second in ((A, B), (B, A), (D, C)):
        asked.compare(first, second, **AIR)
    asked.compare(A, D, **AIR, margin=0.05)
    asked.compare(A, D, **AIR, chosen="before")
    for scope in ("tested unit", "next unit"):
        asked.compare(A, B, **AIR, scope=scope)
        asked.rank(**AIR, scope=scope)
    asked.compare(A, B, quantity="speed", best="low")
    asked.rank(**AIR)
    asked.rank(**FREE, probability=0.8)
    asked.family("all", **AIR)
    asked.family("best", **AIR)
    asked.family("one", B, **AIR)
    asked.family("one", B, **AIR, side="ahead")
    asked.margin("good enough", D, A, **AIR, margin="10 %")
    asked.margin("equivalent", A, C, **AIR, margin=0.1)
    asked.retest(**AIR, bench=STATED)
    asked.what_if(A, D, **AIR, noise=[0.0, 0.5, 1.0, 2.0])
    asked.what_if(A, D, "airflow 3 %", **AIR, noise=0.7, airflow=0.03, chosen="before")
    asked.mix("open and dust pad", {OPEN: 2, PAD: 1}, quantity="airflow")
    asked.money(PRICES, **AIR)
    asked.money(PRICES, **AIR, need=3)
    asked.extra_cost(A, D, prices=PRICES, **AIR)
    asked.covariances()
    asked.covariances("speed", None)
    asked.budget(A, **AIR)
    asked.budget(A, other=C, **AIR, scope="next unit")
    asked.budget(B, quantity="airflow", obstruction=OPEN, scope="tested unit", by="label")
    asked.budget(B, quantity="airflow", obstruction=OPEN, by="scope")
    asked.budget(B, quantity="airflow", obstruction=OPEN, by="group")


@case("several samples")
def _several_samples(figures: Figures) -> None:
    lucks = (
        (0.0, 0.0, 0.0), (0.9, -0.02, 0.03), (-0.6, 0.015, -0.04),
        (0.3, 0.03, 0.02), (-0.9, -0.01, -0.01),
    )  # fmt: skip
    groups = [
        sweep(fan, unit="ABCDE"[place], luck=luck, ambient=19.0, bend=0.4 * place)
        for fan, count in ((ALDWICK, 5), (BREMMEL, 3), (CORROW, 2), (DUNLIT, 1))
        for place, luck in enumerate(lucks[:count])
    ]
    readings = adapter.read(table(*groups))
    asked = figures.ask("33 dBA", readings, STATED, 33.0)
    asked.rank(**AIR)
    asked.compare(A, B, **AIR)
    asked.compare(A, D, quantity="temperature_rise")
    asked.retest(**AIR, units=2, bench=STATED)
    asked.what_if(A, D, **AIR, noise=[0.3, 0.7])
    asked.budget(A, other=D, **AIR)
    _, told = adapter.unit_spread(readings, STATED)
    figures.add("spread", "unit spread", "", told)
    _, told = adapter.unit_spread(readings, STATED, prior=SPREAD, worth=6)
    figures.add("spread", "unit spread with a prior", "", told)
    _, told = adapter.unit_spread(readings, fs.Bench(), curve="straight")
    figures.add("spread", "unit spread of a bench that states nothing", "", told)
    figures.add("spread", "unlike siblings", "", adapter.unlike_siblings(readings, STATED))


@case("several mountings")
def _several_mountings(figures: Figures) -> None:
    groups = [
        sweep(fan, unit="A", sitting=str(put_up + 1), bend=0.7 * put_up,
              read_wrong=(0.25 * (-1) ** put_up, 0.004 * put_up))
        for fan, times in ((ALDWICK, 3), (BREMMEL, 2), (CORROW, 1))
        for put_up in range(times)
    ]  # fmt: skip
    readings = adapter.read(table(*groups))
    asked = figures.ask("33 dBA", readings, STATED, 33.0)
    asked.rank(**AIR)
    asked.compare(A, C, **AIR)
    asked.budget(A, **AIR, scope="tested unit")
    _, told = adapter.unit_spread(readings, STATED)
    figures.add("spread", "unit spread", "", told)


@case("noise and airflow of different samples")
def _split_samples(figures: Figures) -> None:
    flows = ("airflow open [m/s]", "airflow insect screen [m/s]")
    groups = [
        sweep(ALDWICK, unit="A", without=flows),
        sweep(ALDWICK, unit="B", luck=(0.5, 0.02, 0.01), without=("noise [dBA]",)),
        sweep(BREMMEL, unit="A"),
        sweep(BREMMEL, unit="B", luck=(-0.4, 0.01, 0.0), without=flows),
        sweep(CORROW, unit="A"),
    ]
    asked = figures.ask("33 dBA", adapter.read(table(*groups)), STATED, 33.0)
    asked.rank(**AIR)
    asked.compare(A, C, **AIR)
    asked.covariances()


@case("several days")
def _several_days(figures: Figures) -> None:
    days = {"monday": (0.0, 0.0), "tuesday": (0.5, -0.01), "friday": (-0.3, 0.012)}
    fans = {"monday": (ALDWICK, BREMMEL), "tuesday": (CORROW,), "friday": (DUNLIT, ESKER)}
    groups = [
        sweep(fan, unit="A", session=day, room=23.0 + place, read_wrong=wrong, bend=0.5 * place)
        for place, (day, wrong) in enumerate(days.items())
        for fan in (*fans[day], replace(BREMMEL, name="Control"))
    ]
    readings = adapter.read(table(*groups))
    asked = figures.ask("33 dBA", readings, STATED, 33.0)
    asked.compare(A, B, **AIR)
    asked.compare(A, C, **AIR)
    asked.rank(**AIR)
    asked.covariances()
    for name, options in (
        ("mean of the days", {}),
        ("beside monday", {"reference": "monday", "control": "Control"}),
    ):
        after, bench, told = adapter.session_shifts(readings, STATED, **options)
        figures.add("spread", name, "", told)
        figures.ask(f"33 dBA, {name}", after, bench, 33.0).compare(A, C, **AIR)


TWO_RIGS: Final = {"cellar": (ALDWICK, BREMMEL, CORROW), "attic": (BREMMEL, CORROW, DUNLIT, ESKER)}


def _two_rigs() -> Any:
    wrong = {"cellar": (0.0, 0.0), "attic": (0.6, -0.03)}
    return adapter.read(
        table(
            *(
                sweep(fan, unit="A", rig=rig, session=f"{rig} day", read_wrong=wrong[rig],
                      room=22.0 if rig == "attic" else 23.0, bend=0.6 * (rig == "attic"))
                for rig, fans in TWO_RIGS.items()
                for fan in fans
            )
        )
    )  # fmt: skip


@case("two rigs")
def _rigs(figures: Figures) -> None:
    attic = {"airflow": replace(VANE, shared=fs.half_width("4 %", name="vane calibration"))}
    bench = replace(STATED, rigs={"attic": attic})
    readings = _two_rigs()
    asked = figures.ask("33 dBA, in truth", readings, bench, 33.0, target="true")
    asked.compare(A, E, **AIR)
    asked.rank(**AIR)
    asked.covariances()
    asked.budget(A, other=E, **AIR)
    after, joined, told = adapter.bridge_rigs(readings, bench, onto="cellar")
    figures.add("spread", "bridge onto the cellar", "", told)
    bridged = figures.ask("33 dBA, bridged", after, joined, 33.0)
    bridged.compare(A, E, **AIR)
    bridged.covariances()


@case("one meter carried to two rigs")
def _carried(figures: Figures) -> None:
    bench = replace(STATED, noise=replace(METER, carried=True))
    readings = _two_rigs()
    for name, options in (("as read", {}), ("in truth", {"target": "true"})):
        asked = figures.ask(f"33 dBA, {name}", readings, bench, 33.0, **options)
        asked.compare(A, E, **AIR)
        asked.covariances()


# What is stated ----------------------------------------------------------------------------------

TRIO: Final = (ALDWICK, BREMMEL, DUNLIT)


# A sweep that no draw of a spread known from few samples leaves, asked at 30 dBA.
WIDE: Final[dict[str, Any]] = {"drives": (7.0, 10.0, 13.0, 16.5, 20.0, 24.0), "room": 14.0}


def _trio(**more: Any) -> Any:
    return adapter.read(sweeps(TRIO, **more))


def _everything(
    figures: Figures, readings: Any, bench: fs.Bench, level: float = 33.0, **options: Any
) -> None:
    """Ask at one level, and pin two models, all of them, covariances and a budget."""
    asked = figures.ask(f"{level:g} dBA", readings, bench, level, **options)
    asked.compare(A, D, **AIR)
    asked.rank(**AIR)
    asked.covariances()
    asked.budget(A, **AIR)


@case("degrees of freedom")
def _degrees_of_freedom(figures: Figures) -> None:
    meter = fs.Instrument(
        shared=fs.expanded(0.5, probability=0.95, dof=8, name="certificate"),
        session=[],
        sitting=fs.standard(0.25, dof=5, name="microphone position"),
        model=fs.half_width(0.3, name="tone"),
        reading=fs.standard(0.12, dof=6, name="flicker"),
    )
    vane = fs.Instrument(
        shared=fs.expanded("2 %", k=2.26, dof=9, name="certificate"),
        sitting=[],
        model=[],
        reading=fs.standard("0.9 %", dof=4, name="wobble"),
    )
    spread = fs.UnitSpread(
        speed=fs.half_width("10 %"),
        noise=fs.standard(0.6, dof=5),
        airflow=fs.standard("2 %", dof=4),
    )
    bench = fs.Bench(noise=meter, speed=TACHO, airflow=vane, spread=spread)
    readings = _trio(**WIDE)
    _everything(figures, readings, bench, 30.0)
    asked = figures.ask("30 dBA, in truth", readings, bench, 30.0, target="true")
    asked.compare(A, D, **AIR)
    asked.compare(A, B, **AIR, scope="next unit")
    asked.what_if(A, D, **AIR, noise=[0.4, 0.8])
    asked.retest(**AIR, bench=bench)
    asked.plan("units", A, D, **AIR, gap="8 %", bench=bench)
    asked.plan("value", A, **AIR, half_width="4 %", bench=bench)
    found = adapter.first_order(readings, bench, "noise", 30.0, target="true")
    interval = adapter.first_order_interval(found, "airflow")
    figures.add("first_order", "30 dBA, in truth", "interval of airflow", interval)
    drawn = adapter.first_order_draws(found, "airflow", draws=DRAWS, rng=ROOT)
    figures.add("first_order", "30 dBA, in truth", "draws of airflow", drawn)
    for name, row in adapter.roads(found, asked.estimates).items():
        figures.add("ends", "30 dBA, in truth", f"roads: {name}", list(row.values()))


def _mean_square(size: float, dof: float, removed: float, **more: Any) -> fs.Source:
    return fs.Source(
        dof=dof, kind="mean square", removed_variance=removed, stated="measured", **more,
        **({"relative": size} if size < 0.1 else {"absolute": size}),
    )  # fmt: skip


ESTIMATED: Final = fs.UnitSpread(
    speed=_mean_square(0.05, 7.0, 0.00002),
    noise=_mean_square(0.6, 8.0, 0.08),
    airflow=_mean_square(0.021, 6.0, 0.00006),
    temperature=_mean_square(0.6, 5.0, 0.05),
)


@case("an estimated spread")
def _estimated_spread(figures: Figures) -> None:
    lucks = ((0.0, 0.0, 0.0), (0.9, -0.02, 0.03), (-0.7, 0.02, -0.02), (0.4, 0.01, 0.01))
    groups = [
        sweep(fan, unit="ABCD"[place], luck=luck, bend=0.5 * place, **WIDE)
        for fan, count in ((ALDWICK, 4), (BREMMEL, 3), (CORROW, 4), (DUNLIT, 1))
        for place, luck in enumerate(lucks[:count])
    ]
    readings = adapter.read(table(*groups))
    measured, told = adapter.unit_spread(readings, STATED)
    figures.add("spread", "unit spread", "", told)
    asked = figures.ask("30 dBA, as measured", readings, measured, 30.0)
    asked.compare(A, D, **AIR)
    asked.rank(**AIR)
    asked.what_if(A, D, **AIR, noise=[0.3, 0.7])
    asked.retest(**AIR)
    asked.covariances()
    asked.budget(A, other=D, **AIR)
    asked.plan("units", A, D, **AIR, gap="10 %", bench=measured)
    asked.plan("value", A, **AIR, half_width="4 %", bench=measured)
    believed, told = adapter.unit_spread(readings, STATED, prior=SPREAD, worth=5)
    figures.add("spread", "unit spread with a prior", "", told)
    figures.ask("30 dBA, with a prior", readings, believed, 30.0).compare(A, D, **AIR)
    stated = replace(STATED, spread=ESTIMATED)
    asked = figures.ask("30 dBA, as written down", readings, stated, 30.0)
    asked.compare(A, D, **AIR)
    asked.budget(A, other=D, **AIR)
    asked.plan("units", A, D, **AIR, gap="10 %", bench=stated, spread_then="as stated")


def _correlated(figures: Figures, **correlation: float) -> None:
    lucks = ((0.0, 0.0, 0.0), (0.6, 0.01, 0.01))
    groups = [
        sweep(fan, unit="AB"[place], luck=luck, bend=0.5 * place, **WIDE)
        for fan, count in ((ALDWICK, 2), (BREMMEL, 1), (DUNLIT, 1))
        for place, luck in enumerate(lucks[:count])
    ]
    readings = adapter.read(table(*groups))
    bench = replace(STATED, spread=replace(SPREAD, **correlation))
    _everything(figures, readings, bench, 30.0)
    asked = figures.ask("18 V", readings, bench, 18.0, held="drive")
    asked.compare(A, D, **AIR)
    estimated = replace(STATED, spread=replace(ESTIMATED, **correlation))
    again = figures.ask("30 dBA, estimated", readings, estimated, 30.0)
    again.compare(A, D, **AIR, scope="next unit")
    again.what_if(A, D, **AIR, noise=[0.3, 0.7])
    again.plan("units", A, D, **AIR, gap="10 %", bench=estimated)
    again.retest(**AIR)
    figures.add("whatif", "luck needed", "", adapter.luck_needed("8 %", bench))


@case("luck correlated -0.9")
def _against(figures: Figures) -> None:
    _correlated(figures, correlation=-0.9)


@case("luck correlated 0.9")
def _in_step(figures: Figures) -> None:
    _correlated(figures, correlation=0.9)


@case("luck correlated, from few samples")
def _correlation_from_few(figures: Figures) -> None:
    _correlated(figures, correlation=0.6, correlation_dof=9.0)


@case("drift from day to day")
def _drift(figures: Figures) -> None:
    days = ("2026-03-02", "2026-03-09", "2026-03-16", "2026-03-23")
    groups = [
        sweep(fan, unit="A", session=day, luck=(0.25 * place * (fan is BREMMEL), 0.0, 0.0),
              bend=0.4 * place)
        for place, day in enumerate(days)
        for fan in (ALDWICK, BREMMEL, DUNLIT)
    ]  # fmt: skip
    readings = adapter.read(table(*groups))
    figures.ask("33 dBA", readings, STATED, 33.0).compare(A, B, **AIR)
    figures.add("spread", "trends", "", adapter.trends(readings, STATED))


@case("where errors act")
def _where_errors_act(figures: Figures) -> None:
    turned = replace(
        METER,
        shared=fs.half_width(0.8, name="meter calibration", acts_on="reading"),
        session=fs.standard(0.3, name="calibrator", acts_on="fan"),
        sitting=fs.standard(0.3, name="microphone position", acts_on="reading"),
        model=fs.half_width(0.4, name="tone", acts_on="reading"),
        reading=fs.standard(0.15, name="flicker", acts_on="fan"),
    )
    _everything(figures, _trio(room=26.0), replace(STATED, noise=turned), target="true")


@case("shapes")
def _shapes(figures: Figures) -> None:
    meter = replace(
        METER,
        sitting=fs.half_width(0.4, shape="u-shaped", name="microphone position"),
        model=fs.half_width(0.6, shape="triangular", name="tone"),
    )
    vane = replace(VANE, model=fs.half_width("1.5 %", shape="u-shaped", name="swirl"))
    spread = fs.UnitSpread(
        speed=fs.half_width("10 %", shape="triangular"),
        noise=fs.half_width(1.2),
        airflow=fs.half_width("3 %", shape="u-shaped"),
    )
    bench = replace(STATED, noise=meter, airflow=vane, spread=spread)
    readings = _trio()
    _everything(figures, readings, bench)
    figures.ask("18 V", readings, bench, 18.0, held="drive").compare(A, D, **AIR)


@case("limits that nobody split")
def _unsplit(figures: Figures) -> None:
    vane = replace(VANE, shared=fs.half_width("4 %", unsplit=True, name="data sheet"))
    meter = replace(METER, shared=fs.half_width(1.0, unsplit=True, name="class"))
    bench = replace(STATED, noise=meter, airflow=vane)
    readings = _trio()
    _everything(figures, readings, bench)
    told = adapter.both_ways(readings, bench, 33.0, A, D, draws=DRAWS, rng=ROOT, **AIR)
    shared, own = told.pop("u shared and own")
    figures.add("ends", "33 dBA, both ways", "u, limits shared", shared)
    figures.add("ends", "33 dBA, both ways", "u, limits each model's own", own)
    figures.add("whatif", "33 dBA, both ways", "largest own share", told.pop("largest own share"))
    figures.add("chances", "33 dBA, both ways", "", told)


@case("a spread of zero")
def _no_spread(figures: Figures) -> None:
    none = fs.UnitSpread(speed=0, noise=0, airflow=0, temperature=0)
    readings = _trio(ambient=20.0)
    _everything(figures, readings, replace(STATED, spread=none))


@case("a spread that nobody knows")
def _unknown_spread(figures: Figures) -> None:
    readings = _trio(ambient=20.0)
    asked = figures.ask("33 dBA", readings, replace(STATED, spread=fs.UnitSpread()), 33.0)
    asked.compare(A, D, **AIR)
    asked.rank(**AIR)
    asked.rank(**AIR, scope="tested unit")
    asked.what_if(A, D, **AIR, noise=[0.0, 0.5, 1.0], airflow=0.02)
    some = replace(STATED, spread=fs.UnitSpread(noise=fs.standard(0.7)))
    asked = figures.ask("33 dBA, noise alone known", readings, some, 33.0)
    asked.rank(quantity="speed", best="low")
    asked.compare(A, D, **AIR)
    figures.ask("18 V, noise alone known", readings, some, 18.0, held="drive")


# What is held equal ----------------------------------------------------------------------------


def _two_rooms() -> Any:
    groups = [
        sweep(fan, unit="A", session=day, room=room)
        for day, room, fans in (("monday", 22.0, (ALDWICK, BREMMEL)), ("friday", 26.5, (DUNLIT,)))
        for fan in fans
    ]
    return adapter.read(table(*groups))


@case("targets and rooms")
def _targets(figures: Figures) -> None:
    readings = _two_rooms()
    ways: dict[str, dict[str, Any]] = {
        "as read": {},
        "in truth": {"target": "true"},
        "fan alone": {"background": "removed"},
        "fan alone, in truth": {"background": "removed", "target": "true"},
        "in the room of friday": {"room": "friday"},
        "in a room of 24.5 dBA": {"room": 24.5},
        "in a room of 24.5 dBA, in truth": {"room": 24.5, "target": "true"},
    }
    for name, options in ways.items():
        asked = figures.ask(f"33 dBA, {name}", readings, STATED, 33.0, **options)
        asked.compare(A, D, **AIR)
        asked.covariances()
    for name, options in (("included", {}), ("removed", {"background": "removed"})):
        figures.ask(f"1500 rpm, room {name}", readings, STATED, 1500.0, held="speed", **options)


@case("a meter of its own for the room")
def _room_meter(figures: Figures) -> None:
    room = fs.Instrument(
        shared=fs.half_width(1.2, name="other meter"), reading=fs.standard(0.3, name="flicker")
    )
    bench = replace(STATED, background=room)
    readings = _trio(room=27.0)
    for name, options in (("as read", {}), ("in truth", {"target": "true"})):
        figures.ask(f"33 dBA, {name}", readings, bench, 33.0, **options).covariances()


@case("a room that nobody read")
def _room_unread(figures: Figures) -> None:
    readings = _trio(room=None)
    far = figures.ask("38 dBA", readings, STATED, 38.0, bounded=True)
    far.compare(A, D, **AIR)
    far.rank(**AIR)
    near = figures.ask("30 dBA", readings, STATED, 30.0, bounded=True)
    near.compare(A, D, **AIR)
    near.rank(**AIR)
    figures.ask("33 dBA, fan alone", readings, STATED, 33.0, bounded=True, background="removed")
    figures.ask("33 dBA, a room of 23 dBA handed over", readings, STATED, 33.0, bounded=True,
                room=23.0)  # fmt: skip
    figures.ask("1500 rpm", readings, STATED, 1500.0, held="speed", bounded=True)


@case("a room that was read on one day")
def _room_of_one_day(figures: Figures) -> None:
    groups = [
        sweep(ALDWICK, session="monday", room=23.0),
        sweep(BREMMEL, session="monday", room=23.0),
        sweep(DUNLIT, session="friday", room=None),
    ]
    readings = adapter.read(table(*groups))
    for level in (33.0, 37.0):
        asked = figures.ask(f"{level:g} dBA", readings, STATED, level, bounded=(D,))
        asked.compare(A, B, **AIR)
        asked.rank(**AIR)


@case("equal drive")
def _drive(figures: Figures) -> None:
    readings = _trio(ambient=19.5)
    asked = figures.ask("18 V", readings, STATED, 18.0, held="drive")
    asked.compare(A, D, **AIR)
    asked.compare(A, D, quantity="noise")
    asked.rank(quantity="noise")
    asked.rank(**AIR)
    asked.covariances()
    asked.covariances("noise", None)
    asked.budget(A, **AIR, scope="next unit")
    asked.budget(A, quantity="noise", scope="next unit")
    asked.plan("units", A, D, **AIR, gap="8 %", bench=STATED)
    figures.ask("18 V, fan alone", readings, STATED, 18.0, held="drive", background="removed")
    last = figures.ask("24 V, the last step", readings, STATED, 24.0, held="drive", bounded=True)
    last.rank(**AIR)
    figures.ask("26 V, past the last step", readings, STATED, 26.0, held="drive", bounded=True)


@case("equal duty")
def _duty(figures: Figures) -> None:
    readings = _trio(drive="%", drives=(40.0, 55.0, 70.0, 85.0, 100.0))
    for duty in (70.0, 63.0):
        asked = figures.ask(f"{duty:g} %", readings, STATED, duty, held="drive", units="%")
        asked.compare(A, D, **AIR)
        asked.rank(quantity="noise")
    figures.ask("100 %, the last step", readings, STATED, 100.0, held="drive", bounded=True)


@case("equal speed")
def _speed(figures: Figures) -> None:
    readings = _trio(ambient=19.5)
    asked = figures.ask("1500 rpm", readings, STATED, 1500.0, held="speed")
    asked.compare(A, D, **AIR)
    asked.compare(A, D, quantity="noise")
    asked.rank(quantity="noise")
    asked.covariances()
    asked.covariances("noise", None)
    asked.budget(A, quantity="noise")
    figures.ask("2100 rpm, straight lines", readings, STATED, 2100.0, held="speed",
                curve="straight")  # fmt: skip
    last = figures.ask("3000 rpm, past the last step", readings, STATED, 3000.0, held="speed",
                       bounded=True)  # fmt: skip
    last.rank(quantity="noise")


@case("over drive, speed unread")
def _over_drive(figures: Figures) -> None:
    readings = _trio(without=("speed [rpm]",))
    _everything(figures, readings, STATED)
    asked = figures.ask("18 V", readings, STATED, 18.0, held="drive")
    asked.compare(A, D, **AIR, scope="tested unit")
    asked.rank(quantity="noise")


# Points ----------------------------------------------------------------------------------------


@case("one step of some models")
def _one_step(figures: Figures) -> None:
    groups = [
        sweep(ALDWICK),
        sweep(BREMMEL),
        sweep(DUNLIT, drives=(16.0,)),
        sweep(replace(ESKER, level=33.1, airflow=1.7), drives=(15.4,)),
    ]
    frame = table(*groups)
    near = frame["noise [dBA]"].where(frame["model"].isin([D, E])).dropna()
    readings = adapter.read(frame)
    for name, options in (("pooled slope", {}), ("slope 50 with 4", {"slope": (50.0, 4.0)})):
        level = round(float(near.mean()), 1)
        asked = figures.ask(f"near its level, {name}", readings, STATED, level, **options)
        asked.compare(A, D, **AIR)
        asked.rank(**AIR)
        asked.covariances()
        asked.budget(D, **AIR)
    figures.ask("30 dBA, too far for a step", readings, STATED, 30.0, bounded=(D, E))
    figures.add("spread", "pooled slope", "", {"slope": adapter.pooled_slope(readings, STATED)})


@case("steps dialled in")
def _dialled_in(figures: Figures) -> None:
    without = ("drive [V]", "speed [rpm]")
    rows = [
        row | {"noise [dBA]": level}
        for fan in (ALDWICK, BREMMEL, DUNLIT)
        for drive, level in ((13.5, 30.0), (16.0, 33.0), (18.2, 35.0))
        for row in sweep(fan, drives=(drive,), without=without)
    ]
    readings = adapter.read(table(rows))
    for level in (33.0, 35.0):
        for name, options in (("fan laws", {}), ("slope 48", {"slope": 48.0})):
            asked = figures.ask(f"{level:g} dBA, {name}", readings, STATED, level, **options)
            asked.compare(A, D, **AIR)
            asked.rank(**AIR)
            asked.budget(A, **AIR)


@case("off a chart")
def _off_a_chart(figures: Figures) -> None:
    values: dict[str, Any] = {
        A: {SCREEN: "1.42(3)", OPEN: 1.92}, B: {SCREEN: 1.31, OPEN: 1.78},
        C: {SCREEN: 1.37, OPEN: 1.86}, D: {SCREEN: 1.18, OPEN: 1.61},
        E: {SCREEN: 1.24, OPEN: 1.69},
    }  # fmt: skip
    given: dict[str, Any] = {"quantity": "airflow", "units": "m/s", "draws": DRAWS, "rng": ROOT}
    flows = figures.hold(
        "airflow at 33 dBA", adapter.from_chart(values, STATED, level=33.0, room=24.0,
                                               samples={A: 3}, **given)
    )  # fmt: skip
    flows.rank(**AIR)
    flows.compare(A, D, **AIR)
    flows.family("all", **AIR)
    flows.what_if(A, D, **AIR, noise=[0.5, 1.0])
    flows.plan("units", A, D, **AIR, gap="8 %", bench=STATED)
    stated = adapter.from_chart(
        values, STATED, level=33.0, slope=(52.0, 3.0), target="true", **given
    )
    figures.hold("airflow at 33 dBA, in truth, slope 52", stated).compare(A, D, **AIR)
    levels = {name: 30.0 + 0.7 * place for place, name in enumerate(values)}
    noises = adapter.from_chart(levels, STATED, drive=18.0, **{**given, "quantity": "noise",
                                                               "units": "dBA"})  # fmt: skip
    figures.hold("noise at 18 V", noises).rank(quantity="noise")
    flows = figures.hold("airflow at 1500 rpm", adapter.from_chart(
        {name: both[OPEN] for name, both in values.items()}, STATED, speed=1500.0, **given
    ))  # fmt: skip
    flows.rank(quantity="airflow")


@case("several charts in one")
def _several_charts(figures: Figures) -> None:
    charts = {
        "mine": ({A: 1.92, B: 1.78, C: 1.86, D: 1.61}, ROOT),
        "theirs": ({A: 1.83, B: 1.74, C: 1.75, E: 1.62}, ROOT + 1),
        "third": ({B: 1.80, C: 1.90, D: 1.68, E: 1.70}, ROOT + 2),
    }
    made = {
        name: adapter.from_chart(values, STATED, quantity="airflow", units="m/s", level=33.0,
                                 draws=DRAWS, rng=root)
        for name, (values, root) in charts.items()
    }  # fmt: skip
    for name, options in (
        ("shifted", {}),
        ("on one scale", {"shift": False}),
        ("2 % between charts", {"between_charts": fs.standard("2 %")}),
    ):
        both = figures.hold(name, adapter.combined(made, **options))
        both.rank(quantity="airflow")
        both.compare(A, D, quantity="airflow")
        told = adapter.chart_agreement(both.estimates, quantity="airflow")
        figures.add("ends", name, "agreement", told)


# Curves ----------------------------------------------------------------------------------------


@case("curves of each kind")
def _kinds_of_curves(figures: Figures) -> None:
    lucks = ((0.0, 0.0, 0.0), (0.5, 0.01, 0.01))
    groups = [
        sweep(fan, unit="AB"[place], luck=luck, bend=0.8 * place, room=25.0)
        for fan, count in ((ALDWICK, 2), (BREMMEL, 1), (DUNLIT, 1))
        for place, luck in enumerate(lucks[:count])
    ]
    readings = adapter.read(table(*groups))
    for kind in ("smooth", "straight", "power law"):
        asked = figures.ask(f"33 dBA, {kind}", readings, STATED, 33.0, curve=kind)
        asked.compare(A, D, **AIR)
        asked.covariances()
        asked.budget(A, **AIR)
        figures.ask(f"17 V, {kind}", readings, STATED, 17.0, held="drive", curve=kind)
    nothing = fs.Bench(spread=SPREAD)
    figures.ask("33 dBA, power law of equal weights", readings, nothing, 33.0, curve="power law")
    for model in (A, B):
        told = adapter.power_law(readings, STATED, model)
        figures.add("spread", f"power law of {model}", "", told)
    told = adapter.power_law(readings, STATED, A, of="airflow", obstruction=SCREEN)
    figures.add("spread", f"power law of {A}, airflow", "", told)
    told = {"slope": adapter.pooled_slope(readings, STATED)}
    figures.add("spread", "pooled slope", "", told)


@case("curves of each kind, room unread")
def _kinds_of_curves_without_room(figures: Figures) -> None:
    frame = sweeps(TRIO, room=25.0).drop(columns="background [dBA]")
    readings = adapter.read(frame)
    for kind in ("straight", "power law"):
        for level in (33.0, 38.0):
            asked = figures.ask(
                f"{level:g} dBA, {kind}", readings, STATED, level, curve=kind, bounded=True
            )
            asked.compare(A, D, **AIR)
            asked.rank(**AIR)
    nothing = fs.Bench(spread=SPREAD)
    figures.ask("33 dBA, power law of equal weights", readings, nothing, 33.0, curve="power law",
                bounded=True)  # fmt: skip
    told = adapter.power_law(readings, STATED, A)
    figures.add("spread", f"power law of {A}", "", told)


@case("along whole curves")
def _along_curves(figures: Figures) -> None:
    crossed = replace(CORROW, airflow=2.0, level=32.6, slope=34.0)
    readings = adapter.read(sweeps((ALDWICK, BREMMEL, crossed), ambient=20.0))
    asked = figures.ask("33 dBA", readings, STATED, 33.0)
    asked.band([30.0, 33.0, 35.0], obstruction=SCREEN)
    asked.band([30.0, 33.0], "rise", of="temperature_rise", models=[A, B])
    asked.band([1300.0, 1700.0], "noise over speed", of="noise", over="speed", models=[A, B])
    asked.band([1300.0, 1700.0], "airflow over speed", over="speed", obstruction=OPEN)
    asked.band([31.0, 35.0], "straight, in truth", obstruction=OPEN, curve="straight",
               target="true")  # fmt: skip
    levels = [30.5, 31.5, 32.5, 33.5, 34.5, 35.5, 36.5]
    asked.difference(A, C, levels, obstruction=SCREEN)
    asked.difference(A, B, levels, "pair named before", obstruction=OPEN, chosen="before")
    asked.difference(A, B, levels, "next unit", obstruction=OPEN, scope="next unit")
    asked.reach(33.0)
    asked.reach(41.0, bounded=True)
    alike = fs.UnitSpread(noise=fs.standard(0.1), airflow=fs.standard("0.3 %"))
    asked = figures.ask(
        "33 dBA, samples alike", readings, fs.Bench(noise=METER, spread=alike), 33.0
    )
    asked.difference(A, C, levels, obstruction=SCREEN, chosen="before")
    asked.difference(C, B, levels, obstruction=SCREEN)


@case("several levels")
def _several_levels(figures: Figures) -> None:
    steep = replace(CORROW, airflow=1.93, slope=43.0)
    readings = adapter.read(sweeps((ALDWICK, BREMMEL, steep, DUNLIT)))
    at = [30.0, 33.0, 35.0]
    every = adapter.estimate(readings, STATED, "noise", at, draws=DRAWS, rng=ROOT)
    for level in at:
        figures.hold(f"{level:g} dBA of three", adapter.at_level(every, level))
    together = figures.about("all three", every)
    together.levels(**AIR)
    together.levels(quantity="speed", best="low")
    asked = figures.ask("33 dBA alone", readings, STATED, 33.0)
    other = figures.ask("35 dBA alone", readings, STATED, 35.0)
    asked.changes(other, **AIR)


@case("handed back")
def _handed_back(figures: Figures) -> None:
    few = figures.ask("33 dBA of two", adapter.read(sweeps((ALDWICK, BREMMEL))), STATED, 33.0)
    taken = adapter.pooled(few.estimates)
    more = adapter.read(sweeps((ALDWICK, BREMMEL, DUNLIT), room=22.0))
    fresh = figures.ask("33 dBA of three", more, STATED, 33.0)
    again = figures.ask("33 dBA of three, room and curve of two", more, STATED, 33.0, pooled=taken)
    again.compare(A, D, **AIR)
    fresh.changes(again, **AIR)
    few.changes(fresh, **AIR)


# Readings --------------------------------------------------------------------------------------


@case("several fans together")
def _several_fans(figures: Figures) -> None:
    readings = _trio()
    asked = figures.ask("34 dBA, three against one", readings, STATED, 34.0, fans={D: 3, B: 2})
    asked.compare(A, D, **FREE)
    asked.rank(**FREE)
    asked.covariances()
    asked.budget(D, **FREE, scope="next unit")
    told = adapter.several_against_one(
        readings, STATED, 34.0, D, A, obstruction=SCREEN, most=3, draws=DRAWS, rng=ROOT
    )
    ends = {name: told.pop(name) for name in ("low", "high")}
    values = {name: told.pop(name) for name in ("fans", "airflow", "airflow_one", "ratio")}
    figures.add("ends", "34 dBA, one to three", "", ends)
    figures.add("values", "34 dBA, one to three", "", values)
    figures.add("chances", "34 dBA, one to three", "", told)


@case("temperature")
def _temperature(figures: Figures) -> None:
    ambient = fs.Instrument(
        shared=fs.half_width(0.4, name="thermometer"),
        session=fs.standard(0.2, name="draught"),
        reading=fs.standard(0.1, name="settling"),
    )
    readings = _trio(ambient=21.0)
    for name, bench in (
        ("one probe", STATED), ("a thermometer for ambient", replace(STATED, ambient=ambient))
    ):  # fmt: skip
        asked = figures.ask(f"33 dBA, {name}", readings, bench, 33.0)
        asked.compare(A, D, quantity="temperature_rise")
        asked.rank(quantity="temperature_rise")
        asked.covariances("temperature_rise", None)
        asked.budget(A, quantity="temperature_rise")
    asked.what_if(A, D, quantity="temperature_rise", noise=[0.5], temperature=0.8)
    asked.mix("air and rise", {("airflow", SCREEN): 2, "temperature_rise": 1},
              exchange={"temperature_rise": 0.05})  # fmt: skip
    figures.ask("17 V", readings, bench, 17.0, held="drive").rank(quantity="temperature_rise")


@case("cells with uncertainties of their own")
def _own_cells(figures: Figures) -> None:
    frame = sweeps(TRIO).astype({"noise [dBA]": object, "airflow open [m/s]": object})
    for place in range(len(frame)):
        level, flow = frame.loc[place, "noise [dBA]"], frame.loc[place, "airflow open [m/s]"]
        if place % 3 == 1:
            frame.loc[place, "noise [dBA]"] = f"{level:.1f}(2)"
            frame.loc[place, "airflow open [m/s]"] = f"{flow:.2f} +/- 0.03"
        if place % 3 == 2:
            frame.loc[place, "noise [dBA]"] = f"{level:.1f} +/- 0.3"
            frame.loc[place, "airflow open [m/s]"] = f"{flow:.2f}(2)"
    asked = figures.ask("33 dBA", adapter.read(frame), STATED, 33.0)
    asked.compare(A, D, **FREE)
    asked.rank(**FREE)
    asked.covariances()
    asked.budget(A, **FREE)


@case("repeats")
def _repeats(figures: Figures) -> None:
    groups = [
        sweep(
            fan,
            bend=0.9 * again,
            luck=(0.0, 0.0, 0.002 * again),
            read_wrong=(0.1 * (-1) ** again, 0.003 * again),
        )
        for fan, times in ((ALDWICK, 3), (BREMMEL, 2), (DUNLIT, 1))
        for again in range(times)
    ]
    readings = adapter.read(table(*groups))
    _everything(figures, readings, STATED)
    for name, row in adapter.repeatability(readings).items():
        figures.add("spread", "repeatability", name, list(row.values()))
    measured = adapter.with_repeatability(readings, STATED)
    asked = figures.ask("33 dBA, scatter as measured", readings, measured, 33.0)
    asked.compare(A, D, **AIR)
    asked.covariances()
    asked.budget(A, **AIR)


@case("corrections")
def _corrections(figures: Figures) -> None:
    bench = replace(
        STATED,
        noise=replace(METER, shared=fs.expanded(0.4, k=2, correction=-0.4, name="certificate")),
        airflow=replace(VANE, shared=fs.half_width("2 %", correction="-2 % + 0.01 m/s")),
        speed=replace(TACHO, shared=fs.half_width("0.2 %", correction="0.3 %")),
    )
    readings = _trio()
    _everything(figures, readings, bench)
    figures.ask("33 dBA, in truth", readings, bench, 33.0, target="true").covariances()
    figures.ask("18 V", readings, bench, 18.0, held="drive")


@case("steps too close to tell apart")
def _merged(figures: Figures) -> None:
    rough = replace(TACHO, reading=fs.standard(12.0, name="tachometer"))
    readings = _trio(drives=(10.0, 13.0, 16.0, 16.4, 20.0, 24.0))
    _everything(figures, readings, replace(STATED, speed=rough))


@case("noise behind an obstruction")
def _noise_behind(figures: Figures) -> None:
    frame = sweeps(TRIO, behind=(OPEN, SCREEN, DOOR))
    frame["noise slotted door [dBA]"] = (frame["noise [dBA]"] + 1.3).round(1)
    readings = adapter.read(frame)
    for name, options in (("free air", {}), ("behind the door", {"noise_obstruction": DOOR})):
        asked = figures.ask(f"34 dBA, {name}", readings, STATED, 34.0, **options)
        asked.compare(A, D, quantity="airflow", obstruction=DOOR)
        asked.covariances("airflow", DOOR)
        asked.budget(A, quantity="airflow", obstruction=DOOR)


@case("past the ends of sweeps")
def _past_the_ends(figures: Figures) -> None:
    readings = _trio()
    for level in (27.0, 40.5, 43.0):
        asked = figures.ask(f"{level:g} dBA", readings, STATED, level, bounded=True)
        asked.rank(**AIR)
        asked.compare(A, D, **AIR)
        asked.reach(level)
        if level < 41.0:
            asked.what_if(A, D, **AIR, noise=[0.5, 2.0])
    figures.ask("23.5 dBA, at the floor", readings, STATED, 23.5, bounded=True)
    one_too_quiet = table(
        sweep(ALDWICK, unit="A"), sweep(ALDWICK, unit="B", luck=(-3.5, 0.0, 0.0)), sweep(DUNLIT)
    )
    asked = figures.ask(
        "39 dBA, one of two samples too quiet", adapter.read(one_too_quiet), STATED, 39.0,
        bounded=True,
    )  # fmt: skip
    asked.rank(**AIR)


@case("a stalled step")
def _stalled(figures: Figures) -> None:
    stalled = [
        {"model": fan.name, "session": "first evening", "drive [V]": 4.0, "speed [rpm]": 0.0,
         "noise [dBA]": 23.0, "background [dBA]": 23.0}
        for fan in (ALDWICK, DUNLIT)
    ]  # fmt: skip
    readings = adapter.read(table(*(sweep(fan) for fan in TRIO), stalled))
    asked = figures.ask("33 dBA", readings, STATED, 33.0)
    asked.rank(**AIR)
    asked.compare(A, D, **AIR)
    figures.ask("18 V", readings, STATED, 18.0, held="drive")


# Plans and the like ----------------------------------------------------------------------------


@case("plans")
def _plans(figures: Figures) -> None:
    lucks = ((0.0, 0.0, 0.0), (0.6, -0.01, 0.02))
    groups = [
        sweep(fan, unit="AB"[place], luck=luck, bend=0.5 * place)
        for fan, count in ((ALDWICK, 2), (BREMMEL, 1), (CORROW, 1), (DUNLIT, 2), (ESKER, 1))
        for place, luck in enumerate(lucks[:count])
    ]
    readings = adapter.read(table(*groups))
    asked = figures.ask("33 dBA", readings, STATED, 33.0)
    asked.plan("units", A, D, **AIR, gap="8 %", bench=STATED)
    asked.plan("units", A, D, said="no bench", **AIR, gap="8 %")
    asked.plan("units", A, B, said="named before", **AIR, gap=0.12, chosen="before", bench=STATED)
    asked.plan("units", A, C, said="mountings and repeats", **AIR, gap="6 %", bench=STATED,
               most_sittings=2, most_repeats=3, power=0.7)  # fmt: skip
    asked.plan("units", A, C, said="money and hours", **AIR, gap="8 %", bench=STATED,
               prices=PRICES, budget=120.0, sitting_hours=0.8, reading_hours=0.2,
               hour_price=12.0, worth=400.0)  # fmt: skip
    asked.plan("units", A, E, said="a belief", **AIR, gap="10 %", bench=STATED, belief_sd="3 %",
               equal=True, power=0.6)  # fmt: skip
    asked.plan("next", said="60", **AIR, budget=60.0, prices=PRICES, bench=STATED, rng=ROOT,
               draws=2000)  # fmt: skip
    asked.plan("value", A, **AIR, half_width="4 %", bench=STATED)
    asked.plan("value", B, said="cannot be reached", **AIR, half_width="1 %", bench=STATED)
    asked.plan("value", C, said="prices", **AIR, half_width=0.06, bench=STATED, prices=PRICES,
               sitting_hours=0.8)  # fmt: skip
    looks: dict[str, dict[str, Any]] = {
        "three looks": {"looks": 3},
        "few degrees of freedom": {"looks": 2, "spread_dof": 6.0, "measurement": 0.02},
        "prices": {"looks": 3, "rule": "Pocock", "price": 15.0, "power": 0.9, "currency": "EUR"},
    }
    for name, options in looks.items():
        figures.add("plans", "looks", name, adapter.plan_looks(0.1, 0.05, **options))
    counts: dict[str, tuple[str, tuple[float, ...], dict[str, Any]]] = {
        "gap": ("gap", (0.1, 0.05), {"spread_dof": 4.0}),
        "gap, spread known": ("gap", (0.1, 0.05), {"spread_dof": float("inf"), "floor": 0.02}),
        "half width": ("half width", (0.05, 0.06), {"spread_dof": 5.0}),
        "spread": ("spread", (0.3,), {}),
    }
    for name, (question, numbers, options) in counts.items():
        told = adapter.units_needed(question, *numbers, **options)
        figures.add("plans", "samples needed", name, told)


@case("digits that stand still")
def _standing_still(figures: Figures) -> None:
    readings = adapter.read(sweeps((ALDWICK, DUNLIT), behind=(OPEN,)))
    told = adapter.until_stable(readings, STATED, 33.0, rng=ROOT, most=40_000)
    figures.add("ends", "33 dBA", "until stable", told)
    asked = figures.ask("33 dBA", readings, STATED, 33.0)
    told = {"airflow": adapter.monte_carlo_errors(asked.estimates, "airflow")}
    figures.add("ends", "33 dBA", "Monte Carlo errors", told)


@case("values with a covariance")
def _values_with_a_covariance(figures: Figures) -> None:
    values = {A: 1.42, B: 1.31, C: 1.37}
    matrix = [[0.0025, 0.0009, 0.0009], [0.0009, 0.0036, 0.0009], [0.0009, 0.0009, 0.0016]]
    drawn, told = adapter.from_covariance(values, matrix, draws=DRAWS, rng=ROOT)
    figures.add("first_order", "as handed over", "u", told["u"])
    figures.add("draws", "as handed over", "draws", told["draws"])
    asked = figures.about("as handed over", drawn)
    asked.rank(quantity="airflow")
    asked.compare(A, B, quantity="airflow")


@case("scatter without a bench")
def _scatter(figures: Figures) -> None:
    values = [30.1, 30.4, 31.2, 31.0, 29.8, 30.3, 32.0, 32.3, 31.1, 31.6, 33.0, 32.8]
    groups = {"unit": [k // 4 for k in range(12)], "sitting": [k // 2 for k in range(12)]}
    models = [A] * 4 + [B] * 8
    for name, options in (
        ("by likelihood", {}), ("closed form", {"method": "closed form"}),
        ("with models", {"fixed": models}), ("unbalanced", {}),
    ):  # fmt: skip
        kept = slice(0, 11 if name == "unbalanced" else 12)
        told = adapter.variance_components(
            values[kept], random={key: each[kept] for key, each in groups.items()}, **options
        )
        figures.add("spread", f"variance components, {name}", "", told)
    for gap, held in (("8 %", "equal noise"), ("12 %", "equal drive")):
        told = adapter.luck_needed(gap, STATED, held=held)
        figures.add("whatif", f"luck needed for {gap} at {held}", "", told)
