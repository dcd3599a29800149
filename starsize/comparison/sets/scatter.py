"""How far two runs scatter where one or both swept nothing twice, and what would tell."""

import math
from dataclasses import replace

import numpy as np
from scipy.stats import t as student

from ...estimate import Estimate
from ..offsets.adjustment import Scatter, adjust
from ..offsets.sweeps import best_focus_data
from ..offsets.terms import REPEATS_UM
from .compared import NORMAL_95, MeasuredSet

#: Half of all pairs of sweeps differ by less than this many times their standard deviation.
_MIDDLE = 0.674
#: The frames' own part is said where it is below this share of the whole.
TELLING = 0.5


def with_scatter_of(measured: MeasuredSet, other: MeasuredSet) -> MeasuredSet:
    """A run without repeats, its assumed scatter replaced by what the other run's repeats show.

    Every filter swept once, an offset scatters by sqrt(2) tau; what a filter's uncertainty holds
    beyond that of the least uncertain one (temperature, direction) stays. The 95 % half-widths are
    those of Student's t with the degrees of freedom that the uncertainty of tau stands for, 1 / (2
    (u / tau)^2) (JCGM 100:2008, E.4.3). Unchanged where nothing is to be learned.
    """
    scatter = other.repeatability_steps
    if measured.repeated or scatter is None or not scatter.is_known or not measured.frames_known:
        return measured
    own = np.diag(measured.covariance_steps2)
    frames = np.array(measured.frames_sigma_steps) ** 2
    rest = np.maximum(own - frames, 0.0)
    counted = own > 0
    if not counted.any():
        return measured
    wanted = frames + (rest - rest[counted].min()) + 2 * scatter.value**2
    scale = np.sqrt(np.divide(wanted, own, out=np.zeros_like(own), where=counted))
    covariance = measured.covariance_steps2 * np.outer(scale, scale)
    dof = 0.5 * (scatter.value / max(scatter.sigma, 1e-9)) ** 2
    factor = max(NORMAL_95, float(student.ppf(0.975, max(dof, 1.0))))
    return replace(
        measured,
        covariance_steps2=covariance,
        half95_steps=tuple(factor * np.sqrt(np.diag(covariance))),
    )


def frames_alone(old: MeasuredSet, new: MeasuredSet, name: str) -> float | None:
    """Standard uncertainty of a filter's change from the frames alone; None where not known."""
    parts = [_frames(old, name), _frames(new, name)]
    return None if None in parts else math.hypot(*(p for p in parts if p is not None))


def with_one_more(old: MeasuredSet, new: MeasuredSet, name: str) -> float | None:
    """95 % half-width of a filter's change after one more sweep of the reference in each run.

    For a focuser of common scatter whose repeat comes out as half of all do; None where a run was
    repeated already or what its frames know is not stored.
    """
    halves = [_half95_with_one_more(one, name) for one in (old, new)]
    return None if None in halves else math.hypot(*(h for h in halves if h is not None))


def _frames(measured: MeasuredSet, name: str) -> float | None:
    if not measured.frames_known or name not in measured.filters:
        return None
    return measured.frames_sigma_steps[measured.filters.index(name)]


def _half95_with_one_more(measured: MeasuredSet, name: str) -> float | None:
    own = _frames(measured, name)
    if own is None or measured.repeated or name == measured.reference:
        return None
    size: Estimate | None = measured.um_per_step
    tau = REPEATS_UM / size.value if size else 1.0
    # An offset's frames are those of two sweeps.
    sigma = [max(s, own) / math.sqrt(2) for s in measured.frames_sigma_steps]
    apart = _MIDDLE * math.sqrt(2) * math.hypot(tau, sigma[0])
    data = best_focus_data(
        [0.0] * len(sigma) + [apart],
        np.square([*sigma, sigma[0]]),
        filters=[*measured.filters, measured.reference],
    )
    found = adjust(data, scatter=Scatter(tau))
    return found.offsets(measured.reference)[found.filters.index(name)].half95
