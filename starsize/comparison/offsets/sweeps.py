"""The best focus of every sweep with the circumstances it was taken under, as plain arrays."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

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

    @property
    def repeated(self) -> bool:
        """Whether any filter was swept twice."""
        return len(self.filters) > len(self.names)

    @property
    def reference_degC(self) -> float | None:
        """Mean temperature of the sweeps; None where one is unknown."""
        known = np.isfinite(self.temperature_degC).all()
        return float(np.mean(self.temperature_degC)) if known else None

    @property
    def range_degC(self) -> float | None:
        """Range of the temperatures that are known."""
        known = self.temperature_degC[np.isfinite(self.temperature_degC)]
        return float(np.ptp(known)) if known.size else None

    @property
    def hours(self) -> np.ndarray | None:
        """Hours since the middle of each sweep's own night; None where a time is missing."""
        time = self.time_mjd * 24.0
        if not np.isfinite(time).all():
            return None
        hours = time - (np.bincount(self.night, time) / np.bincount(self.night))[self.night]
        return hours if np.ptp(time) > 0 and np.ptp(hours) > 0 else None


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

    def each(given: Any) -> np.ndarray:
        return np.array(np.broadcast_to(np.asarray(given), n))

    covariance, time = np.asarray(covariance_steps2, float), each(time_mjd).astype(float)
    names = tuple(f"sweep-{i + 1}" for i in range(n)) if ids is None else tuple(ids)
    half = 0.5 if outward == "increasing" else -0.5
    growing = {"outward": half, "inward": -half}
    return BestFocusData(
        ids=names,
        filters=tuple(each(filters).tolist()),
        position_steps=position,
        covariance_steps2=np.diag(each(covariance)) if covariance.ndim < 2 else covariance,
        dof=np.full(n, np.inf),
        temperature_degC=each(temperature_degC).astype(float),
        time_mjd=time,
        direction=np.array([growing.get(way, 0.0) for way in each(approach).tolist()]),
        exposure_set=np.arange(n),
        night=_nights(time, names),
    )


def data_of_curves(curves: CurveSet, *, outward: str = "increasing") -> BestFocusData:
    """The answered sweeps of a set of fits, ready for the adjustment."""
    fits = curves.answered
    # The exposures behind a curve: the sweep's id without the colour channel.
    series = [
        c.id.removesuffix(f"-{c.filter}") if is_colour_channel(c) else c.id
        for c in (fit.curve for fit in fits)
    ]
    number = {one: i for i, one in enumerate(dict.fromkeys(series))}
    dof = np.array([fit.dof for fit in fits])
    data = best_focus_data(
        [fit.best_steps for fit in fits],
        np.asarray(curves.covariance_steps2, float).reshape(len(fits), len(fits)),
        filters=[fit.curve.filter for fit in fits],
        ids=[fit.curve.id for fit in fits],
        # One frame without a temperature makes the sweep's mean a guess: it counts as unknown.
        temperature_degC=[_mean(fit.curve.temperature_degC) for fit in fits],
        time_mjd=[_mean(fit.curve.time_mjd) for fit in fits],
        approach=[fit.curve.approach for fit in fits],
        outward=outward,
    )
    return replace(
        data,
        dof=np.where(np.isfinite(dof) & (dof > 0), dof, np.inf),
        exposure_set=np.array([number[one] for one in series], int),
    )


def is_colour_channel(curve: FocusCurve) -> bool:
    """True if the curve is one channel of a colour camera (``colour-1-R``)."""
    return curve.filter in ("R", "G", "B") and curve.id.endswith(f"-{curve.filter}")


def _mean(values: np.ndarray) -> float:
    return float(np.mean(values)) if np.size(values) else float("nan")


def _nights(time_mjd: np.ndarray, ids: Sequence[str]) -> np.ndarray:
    """Number of the night of each sweep.

    Sweeps without a time belong to the first, or to a night of their own where they come from
    another run (whose name stands before the colon in their ids).
    """
    night, known = np.zeros(time_mjd.size, int), np.isfinite(time_mjd)
    order = np.argsort(time_mjd, kind="stable")[: known.sum()]
    night[order[1:]] = np.cumsum(np.diff(time_mjd[order]) > NIGHT_GAP_DAYS)
    runs = np.array([one.rpartition(":")[0] for one in ids], object)
    for run in dict.fromkeys(runs[~known].tolist()):
        if run:
            night[~known & (runs == run)] = night.max() + 1
    return night
