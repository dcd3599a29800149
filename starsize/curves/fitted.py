"""What the curve layer hands on: one fit per sweep, their joint covariance, the curves drawn."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import CubicSpline

from ..estimate import NOT_KNOWN, Estimate, Notice
from ..notebook import html_table, plus_minus
from ..optics.sizes import star_radii
from ..optics.star import Known, StarState, colour_terms, prepare_stars
from .curve import FocusCurve

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
STAR = 17  # numbers that make the shape of a star's curve (`share_radius`); a hyperbola has three
COLOUR = 14  # where those of the lens' colour begin, the last three
#: Lines F, C and d, nanometres.
LINES_NM = (486.1327, 656.2725, 587.5618)
UNBOUNDED = (float("-inf"), float("inf"))
_UNKNOWN = (float("nan"), float("nan"))


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
    reason: str  # one sentence in plain words, with the next step where there is one
    used: np.ndarray
    frame_reasons: tuple[str | None, ...]
    model: ModelName = "hyperbola"
    best_steps: float = float("nan")
    best_sigma_steps: float = float("nan")
    dof: float = float("nan")
    interval68_steps: tuple[float, float] = _UNKNOWN
    interval95_steps: tuple[float, float] = _UNKNOWN
    floor_px: Estimate = NOT_KNOWN  # smallest half-flux radius of the fitted curve
    slope_px_per_step: Estimate = NOT_KNOWN  # slope of the straight wings, >= 0
    jitter: float = float("nan")  # relative scatter of the floor from frame to frame (seeing)
    lack: float = 0.0  # relative scatter about the curve that is neither star noise nor seeing
    chi2_reduced: float = float("nan")
    wing_centre_steps: Estimate = NOT_KNOWN
    """Middle of the two wings; differs from best focus on an asymmetric curve."""
    hyperbola_steps: Estimate = NOT_KNOWN  # vertex of the plain hyperbola, the cross-check
    v_steps: Estimate = NOT_KNOWN  # where the two straight wings meet, the second cross-check
    bound_steps: tuple[float, float] = UNBOUNDED
    shape: tuple[float, ...] = ()  # what ``radius_at`` draws the curve from
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


@dataclass(frozen=True, slots=True, eq=False)
class Ending:
    """Where a fit of a night's sweeps ended: its quantities, and both scatters."""

    values: np.ndarray
    jitter: float
    lack: float


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
    lens: LensColour | None = None  # the lens' own colour, where the bands span enough to tell
    ending: Ending | None = None  # from where a fit of the same sweeps may set out

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


def radius_at(fit: CurveFit, position_steps: ArrayLike) -> np.ndarray:
    """Half-flux radius that a fit predicts at the given positions, pixels.

    Parameters
    ----------
    fit : CurveFit
    position_steps : (n,) array_like

    Returns
    -------
    (n,) float array
        NaN where the sweep was refused.

    Examples
    --------
    >>> from starsize.curves import fit_curve, focus_curve
    >>> position = np.arange(900, 1101, 25)
    >>> fit = fit_curve(focus_curve(position, np.hypot(2.0, 0.05 * (position - 1004)), 0.01))
    >>> radius_at(fit, [954, 1004]).round(1)
    array([3.2, 2. ])
    """
    position = np.asarray(position_steps, float)
    if not fit.answered or not fit.shape:
        return np.full(position.shape, np.nan)
    if len(fit.shape) == STAR:
        # A curve bends over blurs as large as the seeing: an eighth of that apart tells all of it.
        turns = abs(fit.shape[4]) * np.ptp(position) / fit.shape[6] if position.size else 0.0
        if (few := int(8 * turns) + 8) >= position.size:
            return _star_radius(fit.shape, position)
        places = np.linspace(position.min(), position.max(), few)
        return np.asarray(CubicSpline(places, _star_radius(fit.shape, places))(position))
    best, floor, slope = fit.shape
    return np.hypot(floor, slope * (position - best))


def _star_radius(shape: tuple[float, ...], position_steps: np.ndarray) -> np.ndarray:
    blur = shape[4] * (position_steps.ravel() - shape[5])
    return share_radius(shape, blur, np.full(blur.size, shape[6])).reshape(position_steps.shape)


def share_radius(
    shape: tuple[float, ...],
    blur_px: np.ndarray,
    seeing_px: np.ndarray,
    *,
    fraction: float = 0.5,
    air: float | None = None,
    start_px: np.ndarray | None = None,
) -> np.ndarray:
    """Radius holding a share of the light of a star of physics, as ``CurveFit.shape`` holds it.

    Under any defocus from its zero (`StarState.blur_px`), seeing and air. The numbers: obstruction,
    wavelength and width of the band (nm), diffraction (px per um), blur (px per step), zero
    (steps), seeing (px), tint, spherical (waves), spread (px), exponent of the air, three of the
    spectrum, three of the lens' colour (px).
    """
    hole, wavelength, width, diffraction, _, _, _, tint, spherical, spread, own_air = shape[:11]
    stars = prepare_stars(
        [(wavelength, width)],
        np.zeros(blur_px.size, int),
        telescope=Known(focal_ratio=diffraction, pixel_um=1.0, obstruction=hole),
        largest_blur_px=float(np.abs(blur_px).max(initial=1.0)),
        finest_seeing_px=float(seeing_px.min()),
    )
    state = StarState(
        blur_px=blur_px,
        seeing_px=seeing_px,
        diffraction_px_per_um=diffraction,
        colour_px=np.array(shape[COLOUR:]),
        spherical=spherical,
        spread_px=spread,
        air=own_air if air is None else air,
        spectrum=np.array(shape[11:COLOUR]),
        tint=np.array([tint]),
    )
    return star_radii(stars, state, fraction=fraction, start_px=start_px)


def residual_sigmas(fit: CurveFit) -> np.ndarray:
    """Measured less fitted radius of each frame, in its standard uncertainty; NaN if refused.

    As in `statistics`, with dR / dlnF = F^2 / R of the hyperbola R^2 = F^2 + (slope x)^2.
    """
    curve = fit.curve
    fitted = radius_at(fit, curve.position_steps)
    seeing = np.nan_to_num(fit.jitter) * fit.floor_px.value**2 / fitted
    noise = np.sqrt(
        np.nan_to_num(curve.radius_sigma_px) ** 2 + seeing**2 + (fit.lack * fitted) ** 2
    )
    return (curve.radius_px - fitted) / noise


def curve_sigma_px(fit: CurveFit, position_steps: np.ndarray) -> np.ndarray:
    """Standard uncertainty of the fitted curve at some positions, pixels; NaN if refused.

    From those of best focus b, smallest radius F and slope k of the wings: R^2 = F^2 + (k x)^2
    gives dR/db = -dR/dx, dR/dF = F / R and dR/dk = k x^2 / R, which hardly go together.
    """
    position = np.asarray(position_steps, float)
    radius = radius_at(fit, position)
    away = position - fit.best_steps
    slope, floor = fit.slope_px_per_step, fit.floor_px
    parts = (
        slope.value**2 * away / radius * fit.best_sigma_steps,
        floor.value / radius * np.nan_to_num(floor.sigma),
        slope.value * away**2 / radius * np.nan_to_num(slope.sigma),
    )
    return np.sqrt(sum(part**2 for part in parts))
