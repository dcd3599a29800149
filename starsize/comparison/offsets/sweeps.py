"""The best focus of every sweep with the circumstances it was taken under, as plain arrays."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ...conventions import Approach
from ...curves.curve import FocusCurve
from ...curves.fitted import CurveSet

#: Sweeps further apart than this belong to different nights (a night may last 14 hours, but
#: nobody lets six pass between two sweeps of one session -- common practice).
NIGHT_GAP_DAYS = 0.25


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BestFocusData:
    """Best focus of n sweeps, with its (n, n) covariance by the fits alone, and circumstances.

    ``dof`` are the degrees of freedom behind each variance, infinite where it is known outright;
    temperature and time are means over the sweep, NaN where unknown. ``direction`` is +1/2 where
    the step count grew, -1/2 where it fell, 0 where the focuser turned round or nobody knows.
    Channels of the same exposures share a number in ``exposure_set``: what happened to the focuser
    happened to all of them. ``night`` counts from 0 in order of time.
    """

    ids: tuple[str, ...]
    filters: tuple[str, ...]
    position_steps: np.ndarray
    covariance_steps2: np.ndarray
    dof: np.ndarray
    temperature_degC: np.ndarray
    time_mjd: np.ndarray
    direction: np.ndarray
    exposure_set: np.ndarray
    night: np.ndarray

    @property
    def names(self) -> tuple[str, ...]:
        """Each filter once, in order of first appearance."""
        return tuple(dict.fromkeys(self.filters))


def best_focus_data(
    position_steps: Sequence[float] | np.ndarray,
    covariance_steps2: np.ndarray | float = 0.0,
    *,
    filters: Sequence[str] | str = "L",
    ids: Sequence[str] | None = None,
    temperature_degC: Sequence[float] | np.ndarray | float = np.nan,
    time_mjd: Sequence[float] | np.ndarray | float = np.nan,
    approach: Sequence[Approach] | Approach = "unknown",
    outward: str = "increasing",
) -> BestFocusData:
    """Arrange best-focus positions for the adjustment; what is one number is so for all sweeps.

    Every variance counts as known outright and every sweep as exposures of its own;
    ``dataclasses.replace`` says otherwise (``dof``, ``exposure_set``).
    """
    position = np.asarray(position_steps, float)
    n = position.size
    given = np.asarray(covariance_steps2, float)
    if given.ndim < 2:
        given = np.diag(np.broadcast_to(given, n))
    filters = (filters,) * n if isinstance(filters, str) else tuple(filters)
    ways = (approach,) * n if isinstance(approach, str) else tuple(approach)
    half = 0.5 if outward == "increasing" else -0.5
    growing = {"outward": half, "inward": -half}
    time = np.array(np.broadcast_to(np.asarray(time_mjd, float), n))
    return BestFocusData(
        ids=tuple(ids) if ids is not None else tuple(f"sweep-{i + 1}" for i in range(n)),
        filters=filters,
        position_steps=position,
        covariance_steps2=given,
        dof=np.full(n, np.inf),
        temperature_degC=np.array(np.broadcast_to(np.asarray(temperature_degC, float), n)),
        time_mjd=time,
        direction=np.array([growing.get(way, 0.0) for way in ways]),
        exposure_set=np.arange(n),
        night=_nights(time, [one.rpartition(":")[0] for one in ids] if ids else [""] * n),
    )


def data_of_curves(curves: CurveSet, *, outward: str = "increasing") -> BestFocusData:
    """The answered sweeps of a set of fits, ready for the adjustment."""
    fits = curves.answered
    sets = {key: i for i, key in enumerate(dict.fromkeys(series_of(f.curve) for f in fits))}
    dof = np.array([f.dof for f in fits])
    data = best_focus_data(
        [f.best_steps for f in fits],
        np.asarray(curves.covariance_steps2, float).reshape(len(fits), len(fits)),
        filters=[f.curve.filter for f in fits],
        ids=[f.curve.id for f in fits],
        temperature_degC=[_mean(f.curve.temperature_degC) for f in fits],
        time_mjd=[_mean(f.curve.time_mjd) for f in fits],
        approach=[f.curve.approach for f in fits],
        outward=outward,
    )
    return replace(
        data,
        dof=np.where(np.isfinite(dof) & (dof > 0), dof, np.inf),
        exposure_set=np.array([sets[series_of(f.curve)] for f in fits], int),
    )


def series_of(curve: FocusCurve) -> str:
    """Name of the exposures behind a curve: the sweep's id without the colour channel."""
    return curve.id.removesuffix(f"-{curve.filter}") if is_colour_channel(curve) else curve.id


def is_colour_channel(curve: FocusCurve) -> bool:
    """True if the curve is one channel of a colour camera (``colour-1-R``)."""
    return curve.filter in ("R", "G", "B") and curve.id.endswith(f"-{curve.filter}")


def _mean(values: np.ndarray) -> float:
    # One frame without a temperature makes the sweep's mean a guess, so it counts as unknown.
    return float(np.mean(values)) if np.size(values) else float("nan")


def _nights(time_mjd: np.ndarray, runs: Sequence[str]) -> np.ndarray:
    """Number of the night of each sweep.

    Sweeps without a time belong to the first, or to a night of their own where they come from
    another run (whose name stands before the colon in their ids).
    """
    night = np.zeros(time_mjd.size, int)
    known = np.flatnonzero(np.isfinite(time_mjd))
    order = known[np.argsort(time_mjd[known], kind="stable")]
    night[order[1:]] = np.cumsum(np.diff(time_mjd[order]) > NIGHT_GAP_DAYS)
    unknown = ~np.isfinite(time_mjd)
    for run in dict.fromkeys(run for run, no in zip(runs, unknown, strict=True) if no and run):
        night[np.array([one == run for one in runs]) & unknown] = night.max() + 1
    return night
