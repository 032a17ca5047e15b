"""What a first-order result says: contributions, covariances and intervals."""

from __future__ import annotations

import numpy as np
import xarray as xr
from scipy import sparse

from fanstats._arguments import fraction
from fanstats.engine.first_order import coverage_factor
from fanstats.errors import FanstatsError, one_of
from fanstats.propagation.first_order import KIND

__all__ = ["contributions", "covariance", "first_order_interval", "picked"]


def picked(
    found: xr.Dataset, quantity: str, obstruction: str | None, scope: str, ending: str
) -> xr.DataArray:
    """Pick one variable of a first-order result, over model (and place).

    Parameters
    ----------
    found : Dataset
        From `first_order`.
    quantity : str
        Which quantity.
    obstruction : str or None
        Which obstruction; may be None where there is only one.
    scope : {"tested unit", "model", "next unit"}
        Which scope.
    ending : str
        Such as ``"_value"``.

    Returns
    -------
    DataArray

    Raises
    ------
    FanstatsError
        If `found` is no first-order result, or does not hold what is asked for.
    """
    if found.attrs.get("kind") != KIND:
        msg = "`found` must come from first_order, from_uncertainties or from_covariance; got "
        msg += f"{found.attrs.get('kind', 'a Dataset of another kind')!r}."
        raise FanstatsError(msg)
    held = [str(name).removesuffix("_effect") for name in found if str(name).endswith("_effect")]
    array = found[one_of("quantity", quantity, held) + ending]
    if "scope" in array.dims:
        array = array.sel(scope=one_of("scope", scope, [str(s) for s in found["scope"].values]))
    if "obstruction" not in array.dims:
        if obstruction is not None:
            msg = f"`obstruction` must be left out: {quantity} has none; got {obstruction!r}."
            raise FanstatsError(msg)
        return array
    places = [str(place) for place in found["obstruction"].values]
    if obstruction is None and len(places) > 1:
        msg = f"`obstruction` must be one of {', '.join(map(repr, places))}; got None."
        raise FanstatsError(msg)
    return array.sel(
        obstruction=places[0] if obstruction is None else one_of("obstruction", obstruction, places)
    )


def _matrix(found: xr.Dataset, effects: xr.DataArray) -> sparse.csr_array:
    """Effects as a sparse matrix over model and label."""
    label_of = found["label_of"].to_numpy()
    values = np.nan_to_num(effects.transpose("model", "place").to_numpy())
    rows, places = np.nonzero((label_of >= 0) & (values != 0))
    shape = (label_of.shape[0], found.sizes["label"])
    entries = (values[rows, places], (rows, label_of[rows, places]))
    return sparse.csr_array(sparse.coo_array(entries, shape=shape))


def contributions(
    found: xr.Dataset, quantity: str, *, obstruction: str | None = None, scope: str = "model"
) -> xr.DataArray:
    """Give what one standard uncertainty of every labelled error moves every model by.

    Parameters
    ----------
    found : Dataset
        From `first_order`.
    quantity : str
        Which quantity.
    obstruction : str, optional
        Which obstruction; may be left out where there is only one.
    scope : {"tested unit", "model", "next unit"}
        Which scope.

    Returns
    -------
    DataArray
        Over model and label, signed; 0 where an error does not touch a model, NaN for a model
        without an estimate. Dense: for large catalogues use `covariance`.

    Raises
    ------
    FanstatsError
        If `found` does not hold what is asked for.

    Examples
    --------
    >>> import fanstats as fs
    >>> found = fs.first_order(fs.demo.readings(), 33, bench=fs.demo.bench())
    >>> contributions(found, "airflow", obstruction="open").dims
    ('model', 'label')
    """
    effects = picked(found, quantity, obstruction, scope, "_effect")
    values = picked(found, quantity, obstruction, scope, "_value")
    dense = _matrix(found, effects).toarray()
    dense[np.isnan(values.to_numpy())] = np.nan
    about = {"units": effects.attrs.get("units", ""), "long_name": effects.attrs["long_name"]}
    coords = {
        "model": found["model"].to_numpy(),
        "label": found["label"].to_numpy(),
        "label_dof": ("label", found["label_dof"].to_numpy()),
    }
    return xr.DataArray(dense, dims=("model", "label"), coords=coords, attrs=about)


def covariance(
    found: xr.Dataset, quantity: str, *, obstruction: str | None = None, scope: str = "model"
) -> xr.DataArray:
    """Give the covariance of all models, through the errors that they share.

    Parameters
    ----------
    found, quantity, obstruction, scope
        As in `contributions`.

    Returns
    -------
    DataArray
        Over model and other; NaN for a model without an estimate.

    Raises
    ------
    FanstatsError
        If `found` does not hold what is asked for.

    References
    ----------
    JCGM 100:2008, F.1.2.3, equation (F.2).

    Examples
    --------
    >>> import fanstats as fs
    >>> found = fs.first_order(fs.demo.readings(), 33, bench=fs.demo.bench())
    >>> both = covariance(found, "airflow", obstruction="open")
    >>> bool(both.sel(model="Ombrel Sill", other="Sorrelby N1") > 0)  # the vane's calibration
    True
    """
    effects = _matrix(found, picked(found, quantity, obstruction, scope, "_effect"))
    values = picked(found, quantity, obstruction, scope, "_value")
    matrix = (effects @ effects.T).toarray()
    missing = np.isnan(values.to_numpy())
    matrix[missing] = np.nan
    matrix[:, missing] = np.nan
    names = found["model"].to_numpy()
    units = values.attrs.get("units", "")
    about = {"units": f"{units}^2" if units else "", "long_name": f"covariance of {quantity}"}
    return xr.DataArray(
        matrix, dims=("model", "other"), coords={"model": names, "other": names}, attrs=about
    )


def first_order_interval(
    found: xr.Dataset, quantity: str, *, probability: float = 0.95
) -> xr.DataArray:
    """Give coverage intervals to first order: value plus and minus the expanded uncertainty.

    Parameters
    ----------
    found : Dataset
        From `first_order`.
    quantity : str
        Which quantity.
    probability : float
        Coverage probability.

    Returns
    -------
    DataArray
        Over the dimensions of the value and `bound` ("lower", "upper").

    Raises
    ------
    FanstatsError
        If `found` does not hold the quantity.

    References
    ----------
    JCGM 100:2008, 6.2.1 and G.6.4.

    Examples
    --------
    >>> import fanstats as fs
    >>> found = fs.first_order(fs.demo.readings(), 33, bench=fs.demo.bench())
    >>> ends = first_order_interval(found, "airflow")
    >>> [str(bound) for bound in ends["bound"].values]
    ['lower', 'upper']
    """
    fraction("probability", probability)
    held = [str(name).removesuffix("_effect") for name in found if str(name).endswith("_effect")]
    one_of("quantity", quantity, held)
    value, u = found[f"{quantity}_value"], found[f"{quantity}_standard_uncertainty"]
    factor = coverage_factor(found[f"{quantity}_dof"].to_numpy(), probability)
    reach = np.where(u.to_numpy() == 0, 0.0, factor * u.to_numpy())
    ends = np.stack([value.to_numpy() - reach, value.to_numpy() + reach], axis=-1)
    about = {
        "units": value.attrs.get("units", ""),
        "long_name": f"interval of {quantity} to first order",
        "probability": probability,
    }
    coords = {str(name): coord for name, coord in value.coords.items()}
    return xr.DataArray(
        ends,
        dims=(*value.dims, "bound"),
        coords={**coords, "bound": ["lower", "upper"]},
        attrs=about,
    )
