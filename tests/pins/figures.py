"""What is pinned of a question, and in which file each figure stands.

A file holds what moves for one reason: `values.json` moves with the curves alone, `draws.json` with
what a root seed means, `ends.json` with how ranges are read off draws, `chances.json` with the view
of true values, `bounded.json` with answers where nobody read a room or an end.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Any, Final

from tests.pins import adapter

FILES: Final = (
    "values", "draws", "first_order", "ends", "chances", "bounded", "whatif", "plans", "spread",
)  # fmt: skip
# Words of a state that tells of a room or the end of a sweep that nobody read.
_UNREAD: Final = ("range", "room", "usable step")
DRAWS: Final = 400
ROOT: Final = 2026

# The file of every figure that does not go where the others of its question go.
_COMPARED: Final = {
    **dict.fromkeys(
        ("values", "difference", "ratio", "tested difference", "samples tested", "judged among"),
        "values",
    ),
    **dict.fromkeys(
        ("u", "range", "errors of the range", "range of the ratio", "range of the pair",
         "tested u", "tested range", "critical difference"), "ends",
    ),
    **dict.fromkeys(("spread needed", "multiplier of the spread needed"), "whatif"),
}  # fmt: skip
_RANKED: Final = {"unranked": "values", "band": "ends", "range": "ends", "multiplier": "ends"}
_FAMILY: Final = {"differences": "values", "ranges": "ends", "multiplier": "ends"}
_EQUIVALENT: Final = {"difference": "values", "u": "ends", "smallest margin": "ends"}
_RETEST: Final = {"expected": "ends", "range": "ends"}
_MIXED: Final = {"value": "values", "draws": "draws"}
_CHANGED: Final = {"places and values": "values"}
_CURVE: Final = {"values": "values", "states": "values", "ratios": "values", "crossings": "values"}
_CROSSED: Final = {"chances of no, one, more crossings": "chances", "settled": "chances"}
_PAID: Final = {"cheaper and dearer": "values", "extra paid": "values", "gain": "values",
                "price of a unit": "values", "range of the gain": "ends",
                "range of the price": "ends"}  # fmt: skip


class Figures:
    """Every figure of one bench, by file and key."""

    def __init__(self, bench: str) -> None:
        self.bench = bench
        self.found: dict[str, dict[str, Any]] = {file: {} for file in FILES}
        self.unread: list[str] = []

    def add(self, file: str, question: str, figure: str, value: Any) -> None:
        """Put one figure into a file; a mapping gives a figure for each of its entries."""
        if isinstance(value, Mapping):
            for name, part in value.items():
                self.add(file, question, f"{figure}: {name}" if figure else str(name), part)
            return
        key = f"{self.bench}/{question}/{figure}"
        held = self.found[file]
        assert key not in held, f"two figures are called {key!r}"
        held[key] = value

    def ask(
        self,
        name: str,
        readings: Any,
        bench: Any,
        at: Any = 33.0,
        *,
        held: str = "noise",
        bounded: bool | Collection[str] = False,
        linear: bool = True,
        **options: Any,
    ) -> Question:
        """Ask what every model does at one level, drive or speed, and pin the answer."""
        question = Question(self, name, bounded)
        question.asked = (readings, bench, held, at, options)
        question.estimates = adapter.estimate(
            readings, bench, held, at, draws=DRAWS, rng=ROOT, **options
        )
        question.answers()
        if linear:
            question.linear()
        return question

    def about(self, name: str, estimates: Any, bounded: bool | Collection[str] = False) -> Question:
        """Take estimates that were made otherwise, and pin what they are asked alone."""
        question = Question(self, name, bounded)
        question.estimates = estimates
        return question

    def hold(self, name: str, estimates: Any, bounded: bool | Collection[str] = False) -> Question:
        """Pin estimates that were made otherwise."""
        question = self.about(name, estimates, bounded)
        question.answers()
        return question


class Question:
    """One question to one bench: pins what it is asked.

    `bounded` says whether all of it, or what concerns some models, stands in `bounded.json`:
    because their room or the end of their sweep was not read.
    """

    def __init__(self, figures: Figures, name: str, bounded: bool | Collection[str]) -> None:
        self.figures, self.name, self.bounded = figures, name, bounded
        self.asked: tuple[Any, Any, str, Any, dict[str, Any]] = (None, None, "noise", None, {})
        self.estimates: Any = None

    def add(self, file: str, figure: str, value: Any, models: Collection[str] = ()) -> None:
        """Put one figure into its file, or into that of bounded answers."""
        whole = self.bounded is True or (bool(self.bounded) and not models)
        some = not isinstance(self.bounded, bool) and any(name in self.bounded for name in models)
        self.figures.add("bounded" if whole or some else file, self.name, figure, value)

    def spread_over(
        self,
        what: str,
        told: Mapping[str, Any],
        default: str,
        files: Mapping[str, str] | None = None,
    ) -> None:
        """Put the figures of one call into their files."""
        for name, value in told.items():
            self.add((files or {}).get(name, default), f"{what}: {name}", value)

    # The answer itself

    def answers(self) -> None:
        """Pin values, states, counts, shares, first draws and ranges."""
        told = adapter.counts(self.estimates)
        self.add("values", "state of models", told.pop("state of models"))
        for figure, value in told.items():
            self.figures.add(
                "bounded" if self.bounded is True else "values", self.name, figure, value
            )
        for key, cell in adapter.cells(self.estimates).items():
            self._cell("values", key, "value", cell["value"])
            self._cell("draws", key, "draws", cell["draws"])
            # What is not there is not written down: a state, or a share, that comes up is new.
            if any(cell["state"]):
                self._cell("values", key, "state", cell["state"])
            shares = [cell["share below"], cell["share above"]]
            if any(part not in (0.0, "nan") for side in shares for part in side):
                self._cell("draws", key, "shares below and above", shares)
                self._unread(key)
            if any(word in state for state in cell["state"] for word in _UNREAD):
                self._unread(key)
        for key, held in adapter.ends(self.estimates).items():
            self._cell("ends", key, "range", held["range"])
            self._cell("ends", key, "u", held["u"])

    def _cell(self, file: str, key: tuple[str, str, str], figure: str, value: Any) -> None:
        quantity, model, place = key
        behind = f" behind {place}" if place else ""
        self.add(file, f"{quantity} of {model}{behind}: {figure}", value, [model])

    def _unread(self, key: tuple[str, str, str]) -> None:
        """Note an end of a sweep, or a room, that was not read, where the question says nothing."""
        known = key[1] in self.bounded if not isinstance(self.bounded, bool) else self.bounded
        if not known:
            told = f"{self.name}: {', '.join(part for part in key if part)}"
            self.figures.unread.append(told)

    def linear(self) -> Any:
        """Pin u, degrees of freedom and covariances to first order."""
        readings, bench, held, at, options = self.asked
        found = adapter.first_order(readings, bench, held, at, **options)
        for key, cell in adapter.first_order_cells(found).items():
            self._cell("first_order", key, "u to first order", cell["u"])
            self._cell("first_order", key, "dof", cell["dof"])
        return found

    def covariances(self, quantity: str = "airflow", obstruction: str | None = "open") -> None:
        """Pin the covariance of all models, in every scope, intervals and interop."""
        readings, bench, held, at, options = self.asked
        found = adapter.first_order(readings, bench, held, at, **options)
        for scope in adapter.SCOPES:
            told = adapter.covariance(found, quantity, obstruction, scope)
            self.add("first_order", f"covariance of {quantity}, {scope}", told)
        told = adapter.interop(found, quantity, obstruction, "model")
        self.spread_over(f"interop of {quantity}", told, "first_order")

    def budget(self, model: str, **options: Any) -> None:
        """Pin what an uncertainty is made of."""
        readings, bench, held, at, more = self.asked
        rows = adapter.budget(readings, bench, held, at, model=model, **more, **options)
        said = ", ".join(str(part) for part in (model, *options.values()))
        for name, row in rows.items():
            self.add("first_order", f"budget of {said}: {name}", list(row.values()))

    # What is asked of the answer

    def compare(self, first: str, second: str, said: str = "", **options: Any) -> None:
        """Pin a comparison."""
        told = adapter.compare(self.estimates, first, second, **options)
        self.spread_over(
            _named("compare", first, second, said, options), told, "chances", _COMPARED
        )

    def rank(self, said: str = "", **options: Any) -> None:
        """Pin an order of models."""
        told = adapter.rank(self.estimates, **options)
        self.spread_over(_named("rank", said, options), told, "chances", _RANKED)

    def family(self, kind: str, reference: str | None = None, **options: Any) -> None:
        """Pin all pairs, all against the best, or all against one."""
        told = adapter.family(self.estimates, kind, reference, **options)
        what = _named(f"family {kind}", reference or "", options)
        self.spread_over(what, told, "chances", _FAMILY)

    def margin(self, kind: str, first: str, second: str, **options: Any) -> None:
        """Pin whether one is good enough beside another, or equivalent to it."""
        ask = {"good enough": adapter.good_enough, "equivalent": adapter.equivalent}[kind]
        told = ask(self.estimates, first, second, **options)
        self.spread_over(_named(kind, first, second, options), told, "chances", _EQUIVALENT)

    def retest(self, **options: Any) -> None:
        """Pin what a second test would find."""
        told = adapter.retest(self.estimates, **options)
        self.spread_over(_named("retest", options), told, "chances", _RETEST)

    def what_if(self, first: str, second: str, said: str = "", **options: Any) -> None:
        """Pin the verdict at other spreads."""
        told = adapter.what_if(self.estimates, first, second, **options)
        self.spread_over(_named("what if", first, second, said, options), told, "whatif")

    def mix(self, said: str, weights: Mapping[Any, Any], **options: Any) -> None:
        """Pin a mix of criteria."""
        told = adapter.mix(self.estimates, weights, **options)
        self.spread_over(f"mix {said}", told, "chances", _MIXED)

    def money(self, prices: Mapping[str, Any], **options: Any) -> None:
        """Pin what models give for their price."""
        told = adapter.value_for_money(self.estimates, prices, **options)
        self.spread_over(_named("value for money", options), told, "chances")

    def extra_cost(self, first: str, second: str, **options: Any) -> None:
        """Pin what each extra unit of the dearer one costs."""
        told = adapter.extra_cost(self.estimates, first, second, **options)
        self.spread_over(f"extra cost of {first}, {second}", told, "chances", _PAID)

    def changes(self, new: Question, **options: Any) -> None:
        """Pin what another question changes."""
        told = adapter.changes(self.estimates, new.estimates, **options)
        what = _named(f"changes to {new.name}", options)
        self.spread_over(what, told, "chances", _CHANGED)

    def levels(self, **options: Any) -> None:
        """Pin the order at several levels."""
        told = adapter.rank_levels(self.estimates, **options)
        self.spread_over(_named("rank levels", options), told, "chances", {"ranges": "ends"})

    def plan(self, kind: str, *arguments: Any, said: str = "", **options: Any) -> None:
        """Pin a plan: samples of two models, what to buy next, or one value."""
        ask: Callable[..., Any] = {
            "units": adapter.plan_units, "next": adapter.plan_next, "value": adapter.plan_value,
        }[kind]  # fmt: skip
        told = ask(self.estimates, *arguments, **options)
        self.spread_over(_named(f"plan {kind}", *arguments, said), told, "plans")

    # What is asked of the readings

    def band(self, at: Sequence[float], said: str = "", **options: Any) -> None:
        """Pin curves with their ranges."""
        readings, bench, *_ = self.asked
        told = adapter.curve_band(readings, bench, at, draws=DRAWS // 2, rng=ROOT, **options)
        self.spread_over(f"curve {said}".rstrip(), told, "ends", _CURVE)

    def difference(
        self, first: str, second: str, levels: Sequence[float], said: str = "", **options: Any
    ) -> None:
        """Pin the difference of two curves and where they cross."""
        readings, bench, *_ = self.asked
        told = adapter.difference_band(
            readings, bench, first, second, levels, draws=DRAWS // 2, rng=ROOT, **options
        )
        what = _named("difference", first, second, said)
        self.spread_over(what, told, "ends", _CURVE | _CROSSED)

    def reach(self, level: float, *, bounded: bool = False) -> None:
        """Pin how far every model is from a level; `bounded` where the sweep of one ends before."""
        readings, bench, *_ = self.asked
        told = adapter.reach(readings, bench, level, draws=DRAWS, rng=ROOT)
        file = "bounded" if bounded else "values"
        self.spread_over(f"reach {level:g}", told, file, {"share_short": "bounded"})


def _named(what: str, *about: Any) -> str:
    """Name a call by what it was given."""
    parts: list[str] = []
    for part in about:
        if isinstance(part, Mapping):
            given = ((k, "named" if k == "bench" else v) for k, v in part.items())
            parts += [
                str(v) if isinstance(v, str) and k != "bench" else f"{k} {v}"
                for k, v in given
                if v is not None
            ]
        elif part:
            parts.append(str(part))
    return f"{what} {', '.join(parts)}".strip()
