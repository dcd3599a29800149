"""Curves of the bank against the light of a frame: size, flux and rest of sky of each."""

from dataclasses import dataclass, replace

import numpy as np

from .bank import GRID, Bank, growth_bank

#: Rounds on all curves, on those with a chance, and from when on the fit may be loosened.
_SCREENING, _ROUNDS, _LOOSEN_AFTER = 2, 9, 4
#: The same for the few curves of a rough fit.
_ROUGH_ROUNDS = 4
#: A curve whose misfit exceeds the best by this much has no say any more.
_HOPELESS = 60.0
#: No flux or size strays further from the rough one than by this factor.
_STRAY = 2.0
#: How far a real star may depart from the bank, as a share of each annulus and of all its light.
_DEPARTURE, _LEAST_DEPARTURE = 0.02, 0.0004
#: Misfits so many standard deviations above the usual are no chance.
_CHANCE = 3.0
#: Pixels smear twice: they gather light over a square, and stand for a square when it is summed,
#: each with the variance 1/12 along each axis, pixels^2. To first order this holds up to
#: ``_MOST_BLUR`` of the squared half-flux radius.
_PIXEL_BLUR, _MOST_BLUR = 1 / 6, 0.15


@dataclass(frozen=True, slots=True, eq=False)
class Light:
    """Light of one star, or of the sum of many, between circles and in the sky ring.

    Attributes
    ----------
    radii : (k,) array
        Pixels.
    steps, variance : (k,) arrays
        Flux between each radius and the one before, and its variance.
    ring_px : two floats
        Inner and outer radius of the sky ring, pixels.
    ring, ring_sigma : float
        Mean surface brightness there, per pixel; sigma infinite where there is no ring.
    sky, sky_sigma : float
        What is left of the sky, per pixel, as far as it is known otherwise: infinite sigma where
        it is not, none where it is certain.
    of_many : bool
        True for the sum of many stars, in which their places within their pixels average out: what
        then departs from the bank is the shape of the stars.
    """

    radii: np.ndarray
    steps: np.ndarray
    variance: np.ndarray
    ring_px: tuple[float, float]
    ring: float
    ring_sigma: float
    sky: float = 0.0
    sky_sigma: float = float("inf")
    of_many: bool = False

    @property
    def sky_scale(self) -> float:
        """Noise of the light per pixel of the outermost annulus: a certain sky is far surer."""
        outer = np.pi * float(np.diff(self.radii**2, prepend=0.0)[-1])
        return float(np.sqrt(self.variance[-1])) / outer + 1e-300


@dataclass(frozen=True, slots=True, eq=False)
class BankFit:
    """Flux, size and rest of sky for every curve of a bank, and how badly each fits.

    ``loose`` is how much more than usual the stars depart from all curves.
    """

    bank: Bank
    flux: np.ndarray
    size: np.ndarray
    sky: np.ndarray
    misfit: np.ndarray
    loose: float = 1.0

    @property
    def probability(self) -> np.ndarray:
        """Probability of each curve."""
        odds = self.bank.weight * np.exp(-0.5 * (self.misfit - self.misfit.min()))
        return odds / odds.sum()

    def shortlist(self) -> "BankFit":
        """Only the curves that still have a chance."""
        keep = np.flatnonzero(self.misfit < self.misfit.min() + _HOPELESS)
        return replace(
            self,
            bank=self.bank.only(keep),
            flux=self.flux[keep],
            size=self.size[keep],
            sky=self.sky[keep],
            misfit=self.misfit[keep],
        )


def allowance(steps: np.ndarray, whole: float) -> np.ndarray:
    """Variance of what real stars differ from the bank by, in each annulus."""
    return (_DEPARTURE * steps) ** 2 + (_LEAST_DEPARTURE * whole) ** 2


def fit_bank(light: Light, guess_px: float, *, rough: bool = False) -> BankFit | None:
    """Fit the curves of the bank to the light; None where there is none.

    A few curves, one of each kind, settle flux and size. From there all are tried, and those that
    still have a chance are fitted to the end.
    """
    whole = float(light.steps.sum())
    if not whole > 0:
        return None
    start = _Start(whole, _rough_radius(light, whole, guess_px))
    fit = _from(growth_bank().kinds, start)
    for _ in range(_ROUGH_ROUNDS):
        fit = _improve(fit, light, start)
    if rough:
        return fit
    likely = fit.probability
    fit = _from(growth_bank(), _Start(float(likely @ fit.flux), float(likely @ fit.size)))
    for _ in range(_SCREENING):
        fit = _improve(fit, light, start)
    fit = fit.shortlist()
    for round_ in range(_ROUNDS):
        fit = _improve(fit, light, start)
        if light.of_many and round_ >= _LOOSEN_AFTER:
            fit = replace(fit, loose=_looser(fit, len(light.radii)))
    return fit


def _from(bank: Bank, start: "_Start") -> BankFit:
    m = len(bank.weight)
    nothing = np.zeros(m)
    return BankFit(bank, np.full(m, start.flux), np.full(m, start.size), nothing, nothing)


def _looser(fit: BankFit, n: int) -> float:
    """How much more than usual the stars depart from the bank.

    Where no curve fits, the stars are unlike all of them, and by so much; chance alone is no
    reason.
    """
    free = max(n - 2, 1)
    excess = float(fit.misfit.min()) / free
    if fit.loose == 1.0 and excess < 1 + _CHANCE * np.sqrt(2 / free):
        return 1.0
    return max(1.0, fit.loose * float(np.clip(np.sqrt(excess), 1 / 3, 3)))


@dataclass(frozen=True, slots=True)
class _Start:
    """Rough flux and size of the light; no fit may stray from them by more than a factor."""

    flux: float
    size: float


def _rough_radius(light: Light, whole: float, guess_px: float) -> float:
    """Radius that holds half of the light within the circles."""
    inside = np.maximum.accumulate(np.cumsum(light.steps))
    if not inside[0] < 0.5 * whole < inside[-1]:
        return guess_px
    return float(np.interp(0.5 * whole, inside, light.radii))


def _improve(fit: BankFit, light: Light, start: _Start) -> BankFit:
    """One Gauss-Newton step for all curves at once."""
    bank, flux, size, sky = fit.bank, fit.flux, fit.size, fit.sky
    m = len(flux)
    area = np.pi * np.diff(light.radii**2, prepend=0.0)
    data = np.append(light.steps, light.ring)
    scaled = light.radii / size[:, None]
    share = np.diff(seen_share(bank, light.radii, size), axis=1, prepend=0.0)
    swell = np.diff(-scaled * _rows_at(bank.slope, scaled), axis=1, prepend=0.0)
    in_ring = ring_swell = np.zeros(m)
    if np.isfinite(light.ring_sigma):
        in_ring, ring_swell = _ring_terms(bank, light.ring_px, size)
    # Departures are reckoned from the data: were they reckoned from the fit, a fit could buy
    # itself a large allowance with a large flux.
    variance = light.variance + fit.loose**2 * allowance(light.steps, start.flux)
    precision = np.append(1 / variance, light.ring_sigma**-2.0)
    design = np.empty((m, len(data), 3))
    design[:, :-1, 0], design[:, -1, 0] = share, in_ring
    design[:, :-1, 1], design[:, -1, 1] = flux[:, None] * swell, flux * ring_swell
    design[:, :-1, 2], design[:, -1, 2] = area, 1.0
    rest = data - flux[:, None] * design[:, :, 0] - sky[:, None] * design[:, :, 2]
    weighed = (design * precision[:, None]).swapaxes(1, 2)
    normal, right = weighed @ design, (weighed @ rest[:, :, None])[:, :, 0]
    known = max(light.sky_sigma, 1e-6 * light.sky_scale) ** -2
    normal[:, 2, 2] += known
    right[:, 2] += known * (light.sky - sky)
    ridge = np.trace(normal, axis1=1, axis2=2)[:, None, None] * 1e-13 * np.eye(3)
    change = np.linalg.solve(normal + ridge, right[:, :, None])[:, :, 0]
    grown = size * np.exp(np.clip(change[:, 1], -0.3, 0.3))
    return replace(
        fit,
        flux=np.clip(flux + change[:, 0], start.flux / _STRAY, start.flux * _STRAY),
        size=np.clip(grown, start.size / _STRAY, start.size * _STRAY),
        sky=sky + change[:, 2],
        misfit=(precision * rest**2).sum(axis=1) + known * (sky - light.sky) ** 2,
    )


def seen_share(bank: Bank, radii: np.ndarray, size: np.ndarray) -> np.ndarray:
    """Share inside each radius (pixels) of every curve at its size, as pixels show it."""
    scaled = radii / size[:, None]
    blur = np.minimum(_PIXEL_BLUR / size**2, _MOST_BLUR)[:, None]
    return _rows_at(bank.share, scaled) + blur * _rows_at(bank.blur, scaled)


def _ring_terms(
    bank: Bank, ring_px: tuple[float, float], size: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Surface brightness in the sky ring of a star of unit flux, and its change with ln size."""
    ring, step = np.array(ring_px), 0.05
    area = np.pi * (ring[1] ** 2 - ring[0] ** 2)

    def brightness(at: np.ndarray) -> np.ndarray:
        return np.diff(_rows_at(bank.share, ring / at[:, None]), axis=1)[:, 0] / area

    here = brightness(size)
    return here, (brightness(size * (1 + step)) - here) / step


def _rows_at(table: np.ndarray, x: np.ndarray) -> np.ndarray:
    """Each row of a table on ``GRID``, interpolated at the matching row of ``x``."""
    x = np.minimum(x, GRID[-1])
    i = np.clip(np.searchsorted(GRID, x, side="right") - 1, 0, len(GRID) - 2)
    share = (x - GRID[i]) / (GRID[i + 1] - GRID[i])
    rows = np.arange(len(table))[:, None]
    return table[rows, i] * (1 - share) + table[rows, i + 1] * share
