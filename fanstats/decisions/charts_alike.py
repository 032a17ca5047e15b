"""Whether estimates from several charts can stand side by side at all."""

from __future__ import annotations

from collections.abc import Mapping

import xarray as xr

from fanstats.decisions.selection import quantities_of
from fanstats.errors import FanstatsError

__all__ = ["checked_charts", "in_common", "obstructions_of", "unlike"]


def checked_charts(charts: Mapping[str, xr.Dataset]) -> dict[str, xr.Dataset]:
    """Refuse charts that cannot be combined.

    Parameters
    ----------
    charts : mapping of str to xarray.Dataset
        What the caller passed.

    Returns
    -------
    dict

    Raises
    ------
    FanstatsError
        If there are fewer than two, something is no estimates of one level, or they differ in
        quantities, units, obstructions or the number of draws.
    """
    given: object = charts
    if not isinstance(given, Mapping) or len(given) < 2:
        msg = "`charts` must be a mapping of at least two names to estimates."
        raise FanstatsError(msg)
    held = {str(name): one for name, one in charts.items()}
    for name, one in held.items():
        kind: object = one
        if not isinstance(kind, xr.Dataset) or not quantities_of(kind) or "level" in kind.dims:
            msg = f"`charts` must hold estimates of one level each; {name!r} is none."
            raise FanstatsError(msg)
    names = list(held)
    first = held[names[0]]
    for name in names[1:]:
        _check_alike(names[0], first, name, held[name])
    return held


def _check_alike(name: str, first: xr.Dataset, other: str, one: xr.Dataset) -> None:
    shared = [q for q in quantities_of(first) if q in quantities_of(one)]
    if not shared:
        msg = (
            f"`charts` must have a quantity in common: {name!r} has {quantities_of(first)}, "
            f"{other!r} {quantities_of(one)}."
        )
        raise FanstatsError(msg)
    for quantity in shared:
        units = [str(each[quantity].attrs.get("units", "")) for each in (first, one)]
        if units[0] != units[1]:
            msg = (
                f"`charts` must be in one unit: {quantity} is in {units[0]} on {name!r} and in "
                f"{units[1]} on {other!r}. Give both in one."
            )
            raise FanstatsError(msg)
        if not set(obstructions_of(first, quantity)) & set(obstructions_of(one, quantity)):
            msg = (
                f"`charts` must name the same obstructions: {name!r} has "
                f"{obstructions_of(first, quantity)}, {other!r} {obstructions_of(one, quantity)}."
            )
            raise FanstatsError(msg)
        if first[quantity].sizes["draw"] != one[quantity].sizes["draw"]:
            msg = f"`charts` must have equally many draws; {name!r} and {other!r} do not."
            raise FanstatsError(msg)


def in_common(held: Mapping[str, xr.Dataset]) -> tuple[dict[str, list[str]], list[str]]:
    """List what all charts hold: obstructions by quantity; and in words what is left out."""
    first = next(iter(held.values()))
    found: dict[str, list[str]] = {}
    left_out = []
    for quantity in dict.fromkeys(q for one in held.values() for q in quantities_of(one)):
        without = [name for name, one in held.items() if quantity not in quantities_of(one)]
        if without:
            left_out.append(f"{quantity} is not combined: not on {', '.join(map(repr, without))}")
            continue
        places = [obstructions_of(one, quantity) for one in held.values()]
        found[quantity] = [p for p in places[0] if all(p in other for other in places)]
        dropped = {p for other in places for p in other} - set(found[quantity])
        left_out += [
            f"{quantity} behind {place!r} is not combined: not on all charts"
            for place in sorted(dropped)
        ]
    wide = {place for places in found.values() for place in places if place}
    listed = [str(p) for p in first["obstruction"].to_numpy()] if wide else []
    kept = [place for place in listed if place in wide]
    return {q: (kept if p != [""] else p) for q, p in found.items()}, left_out


def obstructions_of(one: xr.Dataset, quantity: str) -> list[str]:
    """List the obstructions of a quantity, [""] where none applies."""
    if "obstruction" not in one[quantity].dims:
        return [""]
    return [str(name) for name in one["obstruction"].to_numpy()]


def unlike(held: Mapping[str, xr.Dataset]) -> list[str]:
    """Say where charts hold something else equal."""
    told = []
    for key in ("level", "drive", "speed", "background", "target", "spread"):
        found = {name: one.attrs.get(key) for name, one in held.items()}
        if len(set(map(str, found.values()))) > 1:
            each = ", ".join(f"{name!r} {value}" for name, value in found.items())
            told.append(f"charts differ in {key}" + ("" if key == "spread" else f": {each}"))
    return told
