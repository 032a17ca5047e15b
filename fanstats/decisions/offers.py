"""What fans cost: prices of packs, and what has to be paid for a number of fans."""

from __future__ import annotations

import json
import math
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final, TypeAlias

from fanstats._arguments import count, number
from fanstats.decisions.said import shortened
from fanstats.errors import FanstatsError, near_name

__all__ = ["ALIKE", "Offer", "Prices", "one_currency", "read_offers", "refuse_misspelt"]

# How much alike a name with a price and a model must be to be taken for a slip.
ALIKE: Final = 0.75

Prices: TypeAlias = Mapping[str, Any] | str


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """What one model is sold for.

    Attributes
    ----------
    price : float
        Of one pack.
    pack : int
        Fans in a pack.
    currency : str
        "" where not stated.
    """

    price: float
    pack: int = 1
    currency: str = ""

    def packs(self, fans: int) -> int:
        """Give how many packs must be bought for so many fans.

        Parameters
        ----------
        fans : int

        Returns
        -------
        int
        """
        return math.ceil(fans / self.pack)

    def paid(self, fans: int) -> float:
        """Give what has to be paid for so many fans: whole packs.

        Parameters
        ----------
        fans : int

        Returns
        -------
        float

        Examples
        --------
        >>> Offer(price=32.0, pack=5).paid(3)
        32.0
        """
        return self.packs(fans) * self.price


def read_offers(prices: Prices | None, carried: Mapping[str, Any]) -> dict[str, Offer]:
    """Read prices as the user states them.

    Parameters
    ----------
    prices : mapping, JSON text or None
        By model: the price of one fan, or a mapping with ``price``, ``pack`` (fans in it, 1 if left
        out) and ``currency``. Text as it stands in ``readings.attrs["prices"]`` is read too. None
        takes what the estimates carry.
    carried : mapping
        Attributes of the estimates.

    Returns
    -------
    dict of str to Offer

    Raises
    ------
    FanstatsError
        If there are none, or one is not a price.

    Examples
    --------
    >>> read_offers({"A": 12.5, "B": {"price": 32, "pack": 5}}, {})["B"]
    Offer(price=32.0, pack=5, currency='')
    """
    given = carried.get("prices") if prices is None else prices
    if isinstance(given, str):
        given = _from_text(given)
    if not isinstance(given, Mapping) or not given:
        msg = (
            "`prices` must give the price of each model, such as {'A': 12.5} or {'A': {'price': "
            f"32, 'pack': 5}}}}, or be readings.attrs['prices']; got {prices!r}."
        )
        raise FanstatsError(msg)
    return {str(model): _offer(str(model), offer) for model, offer in given.items()}


def refuse_misspelt(
    prices: Prices | None, offers: Mapping[str, Offer], models: Collection[str]
) -> None:
    """Refuse prices under names that are no models: a slip would take a model out in silence.

    Parameters
    ----------
    prices : mapping, JSON text or None
        As the user passed them.
    offers : mapping of str to Offer
        The same, read.
    models : collection of str
        Every model of the chart.

    Raises
    ------
    FanstatsError
        For any stranger in a mapping; in text that came with the readings, where whole price lists
        are common, only for one spelt like a model that has no price.
    """
    strangers = [name for name in offers if name not in models]
    unpriced = [name for name in models if name not in offers]
    near = {name: near_name(name, unpriced, cutoff=ALIKE) for name in strangers}
    if not isinstance(prices, Mapping):
        strangers = [name for name in strangers if near[name]]
    if not strangers:
        return
    name = next((name for name in strangers if near[name]), strangers[0])
    mend = f"Did you mean {near[name]!r}?" if near[name] else "Take out what was not tested."
    msg = (
        f"`prices` must name models of these estimates: {shortened([repr(k) for k in models])}; "
        f"got {name!r}{f' and {len(strangers) - 1} more' if len(strangers) > 1 else ''}. {mend}"
    )
    raise FanstatsError(msg)


def _from_text(text: str) -> object:
    try:
        return json.loads(text)
    except ValueError:
        msg = f"`prices` as text must be JSON, as in readings.attrs['prices']; got {text[:60]!r}."
        raise FanstatsError(msg) from None


def _offer(model: str, stated: object) -> Offer:
    if not isinstance(stated, Mapping):
        return Offer(price=number(f"prices[{model!r}]", stated, above=0.0))
    unknown = [str(key) for key in stated if key not in ("price", "pack", "currency")]
    if "price" not in stated or unknown:
        msg = (
            f"`prices[{model!r}]` must hold 'price', and may hold 'pack' and 'currency'; got "
            f"{', '.join(map(repr, stated))}."
        )
        raise FanstatsError(msg)
    return Offer(
        price=number(f"prices[{model!r}]['price']", stated["price"], above=0.0),
        pack=count(f"prices[{model!r}]['pack']", stated.get("pack", 1)),
        currency=str(stated.get("currency", "")),
    )


def one_currency(offers: Iterable[Offer]) -> str:
    """Give the currency that all offers are in.

    Parameters
    ----------
    offers : iterable of Offer

    Returns
    -------
    str
        "currency units" where none is stated.

    Raises
    ------
    FanstatsError
        If there are several.
    """
    named = sorted({offer.currency for offer in offers if offer.currency})
    if len(named) > 1:
        msg = f"`prices` must be in one currency; got {' and '.join(named)}. Convert one of them."
        raise FanstatsError(msg)
    return named[0] if named else "currency units"
