"""What the curve layer hands on: one fit per sweep, and their joint covariance."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from ..estimate import NOT_KNOWN, Estimate, Notice
from ..notebook import html_table, plus_minus
from ..optics.star import colour_terms
from .curve import FocusCurve
from .night import Ending

Verdict = Literal[
    "good",
    "asymmetric",  # answered, by a curve that can follow it
    "not_bracketed",
    "too_few_positions",
    "too_narrow",
    "not_repeatable",
    "order_conflict",  # positions and time disagree
]
ModelName = Literal["star", "hyperbola"]
#: Lines F, C and d, nanometres.
LINES_NM = (486.1327, 656.2725, 587.5618)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class CurveFit:
    """The answer of one sweep, or why there is none.

    Where ``answered`` is False, ``best_steps`` and all that follows from it are NaN and
    ``bound_steps`` carries the one-sided bound that is known: (low, high) with an infinity on the
    open side. ``used`` and ``frame_reasons`` follow the curve's entries one to one;
    ``frame_reasons[i]`` says why frame i was left out or weighed down.

    Examples
    --------
    >>> from starsize import fit_curves, focus_curve
    >>> curve = focus_curve([960, 980, 1000, 1020, 1040], [3.3, 1.9, 1.2, 1.9, 3.3], 0.02)
    >>> fit = fit_curves([curve]).fits[0]
    >>> fit.answered, round(fit.best_steps)
    (True, 1000)
    """

    curve: FocusCurve
    verdict: Verdict
    answered: bool
    reason: str
    """One sentence in plain words, with the next step where there is one."""
    used: np.ndarray
    frame_reasons: tuple[str | None, ...]
    model: ModelName = "hyperbola"
    best_steps: float = float("nan")
    best_sigma_steps: float = float("nan")
    dof: float = float("nan")
    interval68_steps: tuple[float, float] = (float("nan"), float("nan"))
    interval95_steps: tuple[float, float] = (float("nan"), float("nan"))
    floor_px: Estimate = NOT_KNOWN
    """Smallest half-flux radius of the fitted curve."""
    slope_px_per_step: Estimate = NOT_KNOWN
    """Slope of the straight wings, >= 0."""
    jitter: float = float("nan")
    """Relative scatter of the floor from frame to frame (seeing)."""
    lack: float = 0.0
    """Relative scatter about the curve that is neither star noise nor seeing."""
    chi2_reduced: float = float("nan")
    wing_centre_steps: Estimate = NOT_KNOWN
    """Middle of the two wings; differs from best focus on an asymmetric curve."""
    hyperbola_steps: Estimate = NOT_KNOWN
    """Vertex of the plain hyperbola, the cross-check."""
    v_steps: Estimate = NOT_KNOWN
    """Where the two straight wings meet, the second cross-check."""
    bound_steps: tuple[float, float] = (float("-inf"), float("inf"))
    shape: tuple[float, ...] = ()
    """What ``radius_at`` draws the curve from."""
    play_steps: Estimate = NOT_KNOWN
    """Play taken up at the start of the sweep; NaN where it shows none."""

    def __repr__(self) -> str:
        sweep = f"<CurveFit {self.curve.id} ({self.curve.filter}): "
        if not self.answered:
            return f"{sweep}refused, {self.verdict}>"
        return f"{sweep}{self.best_steps:.2f} +- {self.best_sigma_steps:.2f} steps, {self.verdict}>"

    def _repr_html_(self) -> str:
        return fits_table("Focus curve", (self,))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LensColour:
    """The lens as the joint fit found it; positions count from the focus of 550 nm.

    Attributes
    ----------
    span_nm : tuple of float
        Of the bands.
    terms_steps, covariance_steps2 : (3,), (3, 3) arrays
        Factors of `optics.star.colour_terms` and their covariance.
    spherical_waves : Estimate
        Spherical aberration at 550 nm, in waves over the whole pupil.
    """

    span_nm: tuple[float, float]
    terms_steps: np.ndarray
    covariance_steps2: np.ndarray
    spherical_waves: Estimate

    @property
    def along_nm(self) -> np.ndarray:
        """Wavelengths (k,) to draw it by."""
        return np.linspace(*self.span_nm, 65)

    def at(self, wavelength_nm: np.ndarray) -> np.ndarray:
        """Focus of some colours, steps."""
        return colour_terms(1e-3 * wavelength_nm).T @ self.terms_steps

    def covariance(self, wavelength_nm: np.ndarray) -> np.ndarray:
        """Covariance of the foci of some colours: (k, k), steps squared."""
        basis = colour_terms(1e-3 * wavelength_nm).T
        return basis @ self.covariance_steps2 @ basis.T

    def sigma(self, wavelength_nm: np.ndarray) -> np.ndarray:
        """Standard uncertainty of the focus of some colours, steps."""
        return np.sqrt(np.diag(self.covariance(wavelength_nm)))

    @property
    def secondary_steps(self) -> Estimate:
        """The common focus of F and C less that of d; not known where no band comes near F or C.

        The secondary spectrum (Smith, Modern Optical Engineering).
        """
        if self.span_nm[0] > LINES_NM[0] + 10 or self.span_nm[1] < LINES_NM[1] - 10:
            return NOT_KNOWN
        contrast, at = np.array([0.5, 0.5, -1.0]), np.array(LINES_NM)
        variance = contrast @ self.covariance(at) @ contrast
        return Estimate(float(contrast @ self.at(at)), float(np.sqrt(variance)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class CurveSet:
    """The fits of all sweeps, in the order of the curves given, and what they share.

    Attributes
    ----------
    fits : tuple of CurveFit
    covariance_steps2 : (m, m) array
        Joint covariance of ``best_steps`` of the m answered fits, in their order, steps squared.
    slope_px_per_step : Estimate
        Wing slope shared by the sweeps that agree on it; NaN where nothing is shared.
    notices : tuple of Notice

    Examples
    --------
    >>> from starsize import fit_curves, focus_curve
    >>> radii = [3.3, 1.9, 1.2, 1.9, 3.3]
    >>> night = fit_curves([
    ...     focus_curve([960, 980, 1000, 1020, 1040], radii, 0.02, filter="L"),
    ...     focus_curve([972, 992, 1012, 1032, 1052], radii, 0.02, filter="R"),
    ... ])
    >>> [round(fit.best_steps) for fit in night.answered], night.covariance_steps2.shape
    ([1000, 1012], (2, 2))
    """

    fits: tuple[CurveFit, ...]
    covariance_steps2: np.ndarray
    slope_px_per_step: Estimate = NOT_KNOWN
    notices: tuple[Notice, ...] = ()
    placement_steps: Estimate = NOT_KNOWN
    """How exactly single positions are reached, 1 sigma; NaN where the points cannot tell."""
    lens: LensColour | None = None
    """The lens' own colour, where the bands span enough to tell."""
    ending: Ending | None = None
    """From where a fit of the same sweeps may set out."""

    @property
    def answered(self) -> tuple[CurveFit, ...]:
        """The fits that have a best focus, in order."""
        return tuple(fit for fit in self.fits if fit.answered)

    def __repr__(self) -> str:
        return f"<CurveSet: {len(self.answered)} of {len(self.fits)} sweeps answered>"

    def _repr_html_(self) -> str:
        answered = f"{len(self.answered)} of {len(self.fits)} sweeps answered"
        return fits_table(answered, self.fits)


def fits_table(caption: str, fits: Sequence[CurveFit]) -> str:
    """What a notebook shows of some sweeps."""
    head = ("sweep", "filter", "best focus (steps)", "smallest HFR (px)", "frames", "verdict")
    rows = (
        (
            fit.curve.id,
            fit.curve.filter,
            plus_minus(fit.best_steps, fit.best_sigma_steps),
            plus_minus(fit.floor_px.value, fit.floor_px.sigma),
            f"{int(fit.used.sum())} of {fit.used.size}",
            fit.verdict.replace("_", " "),
        )
        for fit in fits
    )
    return html_table(caption, head, rows)
