"""The statistics of focus curves, written down once.

A radius of frame i of sweep s is

    r_i = R(rho (x_i - z_s), F_s, t_s; c, S, A, q) + noise,

R from `optics.sizes`: the radius of half of the light inside the circle that photometry used, its
ring and pixels included, and as a second one that of `curve.INNER` of the light inside the
half-flux radius. The radii of 30 and 50 % of the light stand in that ratio however much light was
taken to lie beyond, and defocus and seeing change it differently: at the level of radii the second
one makes best focus better known by a third to a half. rho is the blur in pixels per step, z_s
where the sweep's 550 nm light focuses, F_s its seeing and t_s the tint of its light; c, S, A the
lens' colour, its spherical aberration and a spread of defocus (tilt, curvature, astigmatism), q the
size of diffraction. A sound frame has the variance

    s_i^2 + (j dR/dlnF)^2 + (m R)^2 [+ (``core`` R)^2 of a second radius]:

the noise of its stars, the scatter j of the seeing from exposure to exposure (common to all stars,
both radii and all colours of one), and m for what the model and the focuser lack. A radius is
wrecked (cloud, gust, trail) with the probability ``wrecked`` independently of the others, and then
scatters by ``wreck_size`` R more, or by as much as it is seen to. j and m are not known: everything
is averaged over a grid of them, weighted by their evidence.

Sweeps of one telescope share rho, c, S, A, q, j and m. Their zeros are alike but for the glass of
the filters, for temperature and for play between directions, z_s = Z + e_s, with e_s heavy-tailed,
so that one thick filter does not pull the lens. Where a sweep began with play P, x_i is P from its
first position until the counter has run as far (`play`). Best focus is where the radius of half of
all the light is smallest, for all sweeps at the night's median seeing; its distribution is the
average over the grid of normal distributions, read at its median. Through one band or two, the
colour of a lens cannot be told from its spherical aberration and spread: the average is there also
over two kinds of lenses, those with colour and those without, each weighed by its evidence.

Through the blue of a fast achromat that place hangs on how much of a star's light is counted, and
on its spectrum: the smaller the circle, the nearer it lies to the focus of the sharpest colours, by
several critical focus zones, and all of these places make stars nearly as small. Best focus stays
that of all the light, for it needs no circle.
"""

from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np
from scipy.special import gammaln


@dataclass(frozen=True, slots=True, kw_only=True)
class Priors:
    """What is taken as likely before looking; standard deviations unless said otherwise."""

    # Three terms of the lens' colour, Student's t: an achromat of 600 mm has 180, 3,900 and -360
    # um, a triplet of 480 mm -70, -40 and 420.
    colour_um: tuple[float, float, float] = (150.0, 2000.0, 300.0)
    colour_tail: float = 1.5
    # Share of mirrors and apochromats (judgement), and what their second term is; where there are
    # no more bands than so few, both kinds are tried.
    plain: float = 0.75
    plain_colour_um: float = 150.0
    few_bands: int = 2
    # Zero of a sweep about the others', Student's t (0.1 mm of glass is 35 um; common practice).
    glass_um: float = 40.0
    glass_tail: float = 2.0
    spherical_waves: float = 0.4
    # Spread of defocus, in units of the smallest radius: median, and of its logarithm.
    spread_floors: float = 0.4
    spread_log: float = 0.9
    # Slope and bend of star and sensor about usual light (black bodies of 4,500 and 9,000 K have
    # slopes of 0.6 and -0.2, by Planck's law), and how bands round off.
    spectrum_spread: tuple[float, float, float] = (0.4, 0.4, 0.3)
    # Channels of a colour camera round off to half at the edges of the width that is stated (-0.7),
    # or to a tenth where that is all of it (-2.3): mean and standard deviation.
    dyes: tuple[float, float] = (-1.0, 0.7)
    tint: float = 0.4  # what a filter's own shape tilts
    air: float = 0.15  # exponent of the seeing's transfer function about Kolmogorov's 5/3
    seeing: float = 0.7  # relative, of each sweep about the guess
    # Relative: the wings, Student's t where focal ratio, pixel and step are stated, and where they
    # are not; diffraction where focal ratio and pixel are stated, and where they are not.
    slope: float = 0.02
    slope_tail: float = 2.0
    free_slope: float = 0.7
    optics_stated: float = 0.02
    diffraction: float = 0.5
    wrecked: float = 0.03  # share of wrecked frames
    wreck_size: float = 0.35  # by how much of their radius they scatter
    # Medians of j and m, and of their logarithms.
    jitter: float = 0.05
    jitter_spread: float = 0.8
    lack: float = 0.004
    lack_spread: float = 0.7
    # Share of the inner radius by which real stars differ from the model's in one and all frames,
    # but is taken as of each: of Moffat stars with exponents 2.5 to 4 the radii of 30 and 50 % of
    # the light have ratios of 0.676 to 0.697 (closed form).
    core: float = 0.008
    # Odds that sweeps of a night begin with play, and tail of Student's t for how much; its scale
    # is the spacing of the frames (judgement).
    play: float = 0.05
    play_tail: float = 1.0


PRIORS: Final = Priors()
JITTERS: Final = np.geomspace(0.006, 0.4, 13)
LACKS: Final = np.geomspace(0.001, 0.032, 3)


def log_usual(jitter: np.ndarray, lack: np.ndarray | float) -> np.ndarray:
    """Log density of both scatters before looking, but for the constant."""
    away = np.log(jitter / PRIORS.jitter) / PRIORS.jitter_spread
    return -0.5 * (away**2 + (np.log(lack / PRIORS.lack) / PRIORS.lack_spread) ** 2)


@dataclass(frozen=True, slots=True, eq=False)
class Prior:
    """Of each quantity a normal distribution, Student's t where its tail is finite."""

    target: np.ndarray
    scale: np.ndarray
    tail: np.ndarray

    def normal(self, values: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
        """Precisions and pulls at ``values``, and minus twice the log density."""
        distance, heavy = (values - self.target) / self.scale, np.isfinite(self.tail)
        tail = np.where(heavy, self.tail, 1.0)
        # The weight that turns squares into Student's t.
        student = (tail + 1) / (tail + distance**2)
        weight = np.where(heavy, student, 1.0) / self.scale**2
        cost = np.where(heavy, (tail + 1) * np.log1p(distance**2 / tail), distance**2).sum()
        return weight, weight * (values - self.target), float(cost)

    def log_density(self, values: np.ndarray) -> float:
        """Log density, with the constants that scale and tail bring along."""
        tail = self.tail[np.isfinite(self.tail)]
        # Student's t (Abramowitz and Stegun 26.7, from memory).
        heavy = gammaln((tail + 1) / 2) - gammaln(tail / 2) - 0.5 * np.log(np.pi * tail)
        normal = 0.5 * np.log(2 * np.pi) * (self.tail.size - tail.size)
        constant = heavy.sum() - normal - np.log(self.scale).sum()
        return float(constant - 0.5 * self.normal(values)[2])

    def changed(self, which: slice | int, **columns: np.ndarray | float) -> "Prior":
        """The same with other columns for some of the quantities."""
        new = {}
        for name, value in columns.items():
            new[name] = getattr(self, name).copy()
            new[name][which] = value
        return replace(self, **new)


def log_normal(residual: np.ndarray, variance: np.ndarray) -> np.ndarray:
    """Log density of a normal distribution, but for the constant."""
    return -0.5 * (residual**2 / variance + np.log(variance))


def wreck_variance(residual: np.ndarray, sound: np.ndarray, wild: np.ndarray) -> np.ndarray:
    """How bad a wreck is, nobody knows: a miss beyond what is usual is its own scale."""
    return sound + np.maximum(wild, residual**2)


class Belief(NamedTuple):
    """What is believed of entries: probability of being sound, weight, log likelihood."""

    sound: np.ndarray
    weight: np.ndarray
    log_likelihood: np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class Scatter:
    """How n entries scatter about their curves, at one pair of j and m or at several: (..., n)."""

    sound: np.ndarray  # variance of a sound one
    wild: np.ndarray  # what a wreck adds at least
    common: np.ndarray
    """What the seeing scatters in each, alike in all entries of an exposure, 1 sigma."""
    exposure: np.ndarray  # number of the exposure that an entry belongs to

    def summed(self, values: np.ndarray, axis: int = -1) -> np.ndarray:
        """Sums over the entries of each exposure."""
        order = np.argsort(self.exposure, kind="stable")
        first = np.searchsorted(self.exposure[order], np.arange(self.exposure.max() + 1))
        return np.add.reduceat(values.take(order, axis), first, axis)

    def believe(self, miss: np.ndarray, doubt: np.ndarray | float = 0.0) -> Belief:
        """Sound or wrecked, for each entry by itself.

        ``doubt`` is the variance of the curve as all others know it.
        """
        wreck = wreck_variance(miss, self.sound, self.wild)
        spare = self.common**2 + doubt
        good = np.log1p(-PRIORS.wrecked) + log_normal(miss, self.sound + spare)
        bad = np.log(PRIORS.wrecked) + log_normal(miss, wreck + spare)
        both = np.logaddexp(good, bad)
        share = np.exp(good - both)
        return Belief(share, share / self.sound + (1 - share) / wreck, both)

    def log_likelihood(self, miss: np.ndarray, belief: Belief) -> np.ndarray:
        """Expected log likelihood of the entries, with the entropy of which of them are wrecked.

        What the seeing did to their exposures is taken off, at its likeliest.
        """
        tiny, sound = 1e-12, belief.sound
        strength = 1 + self.summed(belief.weight * self.common**2)
        seeing = self.summed(belief.weight * self.common * miss) / strength
        left = miss - self.common * seeing[..., self.exposure]
        good = log_normal(left, self.sound) + np.log1p(-PRIORS.wrecked) - np.log(sound + tiny)
        wreck = wreck_variance(left, self.sound, self.wild)
        bad = log_normal(left, wreck) + np.log(PRIORS.wrecked) - np.log(1 - sound + tiny)
        total = (sound * good + (1 - sound) * bad).sum(axis=-1)
        return np.asarray(total - 0.5 * (seeing**2 + np.log(strength)).sum(axis=-1))

    def normal_equations(
        self, slopes: np.ndarray, miss: np.ndarray, weight: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Precision (..., p, p) and pull (..., p) of entries with such slopes and weights.

        Scatter common to an exposure is taken off by Woodbury's identity, as squares alone, for
        differences of large sums lose their digits. With C = sum w c^2 and m = sum w c s / C:
        sum w s s' - C^2 m m' / (1 + C) = sum w (s - c m) (s - c m)' + m m' C / (1 + C).
        """
        among = self.summed(weight * self.common**2)
        mean = self.summed((weight * self.common)[..., None] * slopes, axis=-2)
        mean /= np.maximum(among, 1e-300)[..., None]
        apart = slopes - self.common[..., None] * mean[..., self.exposure, :]
        normal = np.swapaxes(apart, -1, -2) @ (weight[..., None] * apart)
        normal += np.swapaxes(mean, -1, -2) @ ((among / (1 + among))[..., None] * mean)
        pulled = self.summed(weight * self.common * miss) / (1 + among)
        pull = (weight * miss)[..., None, :] @ apart + pulled[..., None, :] @ mean
        return normal, pull[..., 0, :]
