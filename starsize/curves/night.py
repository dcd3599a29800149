"""The sweeps of a night as one model: which quantity is where, what it predicts, its priors."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.special import gammaln

from ..filters import BANDS, Band
from ..optics.sizes import Sizes, star_sizes
from ..optics.star import (
    USUAL_SPECTRUM,
    Apertures,
    Stars,
    StarState,
    Telescope,
    lay_out,
    prepare_stars,
)
from .curve import INNER, FocusCurve, joined
from .guess import Guess, guess_hyperbola
from .statistics import PRIORS, student_weight

USUAL: Final = Telescope(focal_ratio=6.0, pixel_um=3.76)
"""Stands in for what is not stated."""
UNKNOWN_BAND: Final = Band(550.0, 100.0)
OPTICS_STATED: Final = 0.02
"""Relative doubt of focal ratio over pixel where both are stated."""
#: Where each quantity of the night stands; from FIRST on of each sweep how far its zero lies beyond
#: that of the night, its log seeing and its tint.
LOG_SLOPE, LOG_DIFFRACTION, COLOUR, SPHERICAL, LOG_SPREAD = 0, 1, slice(2, 5), 5, 6
AIR, SPECTRUM, ROUNDING, ZERO, PLAY, FIRST = 7, slice(8, 11), 10, 11, 12, 13


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What is stated of the telescope; each may be None."""

    focal_ratio: float | None = None
    pixel_um: float | None = None
    um_per_step: float | None = None
    obstruction: float = 0.0

    @property
    def telescope(self) -> Telescope:
        """The telescope, with usual values for what is not stated."""
        return Telescope(
            focal_ratio=self.focal_ratio or USUAL.focal_ratio,
            pixel_um=self.pixel_um or USUAL.pixel_um,
            obstruction=self.obstruction,
        )

    @property
    def slope_px_per_step(self) -> float | None:
        """Radius of the disc of defocus per step, where all it takes is stated."""
        if self.focal_ratio and self.pixel_um and self.um_per_step:
            return self.telescope.blur_px_per_um * self.um_per_step
        return None


@dataclass(frozen=True, slots=True, eq=False)
class Prior:
    """Of each quantity a normal distribution, Student's t where its tail is finite."""

    target: np.ndarray
    scale: np.ndarray
    tail: np.ndarray

    def normal(self, values: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
        """Precisions and pulls at ``values``, and minus twice the log density."""
        distance = (values - self.target) / self.scale
        heavy = np.isfinite(self.tail)
        tail = np.where(heavy, self.tail, 1.0)
        weight = np.where(heavy, student_weight(distance, tail), 1.0) / self.scale**2
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

    def held(self, which: np.ndarray, values: np.ndarray) -> "Prior":
        """The same with some of the quantities known to be as they are in ``values``."""
        return Prior(
            np.where(which, values, self.target),
            np.where(which, 1e-6, self.scale),
            np.where(which, np.inf, self.tail),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Ending:
    """Where a fit of a night's sweeps ended: its quantities, and both scatters."""

    values: np.ndarray
    jitter: float
    lack: float


@dataclass(frozen=True, slots=True, eq=False)
class Night:
    """The radii of all frames of all sweeps, n entries, and what is known before looking."""

    sweep: np.ndarray
    position_steps: np.ndarray
    radius_px: np.ndarray
    sigma_px: np.ndarray
    first_steps: np.ndarray
    """Where the counter stood at the sweep's first frame."""
    turned: np.ndarray
    """The way it ran, 1 or -1, if play was taken up there, else 0."""
    inner: np.ndarray
    """True for the inner radius of a frame that has its own entry."""
    exposure: np.ndarray
    """Number of the exposure that an entry belongs to, with others in the same seeing."""
    telescope: Telescope
    bands: tuple[Band, ...]
    stars: Stars
    """One for each frame; of those with inner radii both are asked."""
    asked: np.ndarray
    """Where the radius of an entry stands among all that are asked of the stars."""
    prior: Prior
    start: np.ndarray
    near: Ending | None = None
    """Where the same sweeps ended at nearly the same positions."""

    @property
    def bands_nm(self) -> list[tuple[float, float]]:
        """Wavelength and width of each sweep's band."""
        return [(band.wavelength_nm, band.width_nm) for band in self.bands]

    @property
    def fraction(self) -> np.ndarray | float:
        """Share of the light in the radii that are asked of the stars."""
        return np.array([[0.5], [INNER]]) if self.stars.seen.total_px.ndim > 1 else 0.5

    def frames(self, sweep: int) -> np.ndarray:
        """The entries of a sweep that stand for its frames: (n,)."""
        return (self.sweep == sweep) & ~self.inner

    def summed(self, values: np.ndarray, axis: int = -1) -> np.ndarray:
        """Sums over the entries of each exposure."""
        order = np.argsort(self.exposure, kind="stable")
        first = np.searchsorted(self.exposure[order], np.arange(self.exposure.max() + 1))
        return np.add.reduceat(values.take(order, axis), first, axis)

    def standing(self, values: np.ndarray) -> np.ndarray:
        """Frames taken while the play was taken up and the camera stood: (n,)."""
        run = np.abs(self.position_steps - self.first_steps)
        return (self.turned != 0) & (run < values[PLAY])

    def places(self, values: np.ndarray) -> np.ndarray:
        """Where the camera was, as the counter has it: (n,)."""
        stood = self.first_steps + self.turned * values[PLAY]
        return np.where(self.standing(values), stood, self.position_steps)

    def blur_px(self, values: np.ndarray) -> np.ndarray:
        """Defocus of 550 nm, as the radius of its disc: (n,)."""
        zero = values[ZERO] + values[FIRST::3][self.sweep]
        return np.exp(values[LOG_SLOPE]) * (self.places(values) - zero)

    def state(self, values: np.ndarray) -> StarState:
        """What shapes the stars of all frames, in order of their outer radii."""
        own = values[FIRST:].reshape(-1, 3)[self.sweep[~self.inner]]
        return StarState(
            blur_px=self.blur_px(values)[~self.inner],
            seeing_px=np.exp(own[:, 1]),
            diffraction_px_per_um=float(np.exp(values[LOG_DIFFRACTION])),
            colour_px=values[COLOUR],
            spherical=float(values[SPHERICAL]),
            spread_px=float(np.exp(values[LOG_SPREAD])),
            air=float(values[AIR]),
            spectrum=values[SPECTRUM],
            tint=own[:, 2],
        )

    def sizes(self, values: np.ndarray, *, start_px: np.ndarray | None = None) -> Sizes:
        """Radii of all entries; ``start_px`` is about where they lie."""
        if start_px is not None:
            whole = np.tile(start_px[~self.inner], np.size(self.fraction))
            whole[self.asked] = start_px
            start_px = whole.reshape(self.stars.seen.total_px.shape)
        fraction, state = self.fraction, self.state(values)
        sizes = star_sizes(self.stars, state, fraction=fraction, start_px=start_px)
        return sizes.chosen(self.asked)

    def at(self, position_steps: np.ndarray, sweep: np.ndarray) -> "Night":
        """The same sweeps with frames elsewhere that see all of the light."""
        stars = lay_out(
            self.stars.table, self.bands_nm, sweep,
            diffraction=self.telescope.diffraction_px_per_um,
        )  # fmt: skip
        return replace(
            self, position_steps=position_steps, sweep=sweep, stars=stars,
            first_steps=position_steps, turned=np.zeros(sweep.size),
            inner=np.zeros(sweep.size, bool), exposure=np.arange(sweep.size),
            asked=np.arange(sweep.size),
        )  # fmt: skip

    def slopes(self, values: np.ndarray, sizes: Sizes) -> np.ndarray:
        """Derivatives of all radii by all quantities: (n, p)."""
        slope, blur = np.exp(values[LOG_SLOPE]), self.blur_px(values)
        out = np.zeros((self.sweep.size, values.size))
        out[:, LOG_SLOPE] = sizes.by_blur * blur
        out[:, COLOUR] = sizes.by_colour.T
        out[:, SPHERICAL] = sizes.by_spherical
        out[:, LOG_SPREAD] = np.exp(values[LOG_SPREAD]) * sizes.by_spread
        out[:, AIR] = sizes.by_air
        out[:, SPECTRUM] = sizes.by_spectrum.T
        # All lengths together scale the radius (Euler): that spares a derivative by diffraction.
        scaled = blur * sizes.by_blur + sizes.by_log_seeing
        scaled = scaled + values[COLOUR] @ sizes.by_colour + out[:, LOG_SPREAD]
        out[:, LOG_DIFFRACTION] = sizes.radius - scaled - sizes.by_seen
        out[:, PLAY] = slope * sizes.by_blur * self.turned * self.standing(values)
        row, first = np.arange(self.sweep.size), FIRST + 3 * self.sweep
        out[row, first] = out[:, ZERO] = -slope * sizes.by_blur
        out[row, first + 1] = sizes.by_log_seeing
        out[row, first + 2] = sizes.by_tint
        return out


def build_night(
    curves: Sequence[FocusCurve],
    used: Sequence[np.ndarray],
    *,
    known: Known,
    bands: Mapping[str, Band],
) -> Night:
    """Lay out the frames ``used`` of sweeps that have enough; unnamed bands are usual ones."""
    rows = [np.flatnonzero(u) for u in used]
    sweep = np.repeat(np.arange(len(curves)), [r.size for r in rows])
    position = [c.position_steps[r] for c, r in zip(curves, rows, strict=True)]
    fitted = [c.to_fit().part(r) for c, r in zip(curves, rows, strict=True)]
    inner = joined([c.inner_to_fit().part(r) for c, r in zip(curves, rows, strict=True)])
    told = np.isfinite(inner.radius_px)
    outer = joined(fitted)
    entries = joined([outer, inner.part(told)])
    both = Apertures(*map(np.stack, zip(outer.seen, inner.seen, strict=True)))
    frame = np.concatenate([np.arange(sweep.size), np.flatnonzero(told)])
    guesses = [guess_hyperbola(x, f.radius_px) for x, f in zip(position, fitted, strict=True)]
    known_bands = tuple(bands.get(c.filter) or BANDS.get(c.filter, UNKNOWN_BAND) for c in curves)
    start, usual = _start(guesses, known)
    spans = [float(np.ptp(x)) for x in position]
    spacing = float(np.median([np.ptp(x) / (x.size - 1) for x in position]))
    exposure = exposures(curves, rows)
    dyes = bool(exposure.max() + 1 < exposure.size)
    start[ROUNDING] = PRIORS.dyes[0] if dyes else start[ROUNDING]
    prior = _priors(start, usual, known=known, spacing=spacing, dyes=dyes)
    largest = float(np.exp(start[LOG_SLOPE])) * 1.3 * max(spans)
    floor = min(g.floor_px for g in guesses)
    colours = [(b.wavelength_nm, b.width_nm) for b in known_bands]
    stars = prepare_stars(
        colours,
        sweep,
        telescope=known.telescope,
        largest_blur_px=largest,
        finest_seeing_px=max(1.2 * floor, 0.6),
        seen=both if told.any() else outer.seen,
    )
    return Night(
        sweep=sweep[frame],
        position_steps=np.concatenate(position)[frame],
        radius_px=entries.radius_px,
        sigma_px=np.nan_to_num(entries.sigma_px),
        first_steps=np.array([c.position_steps[0] for c in curves])[sweep[frame]],
        turned=np.zeros(frame.size),
        inner=np.arange(frame.size) >= sweep.size,
        exposure=exposure[frame],
        telescope=known.telescope,
        bands=known_bands,
        stars=stars,
        asked=np.r_[: sweep.size, sweep.size + np.flatnonzero(told)],
        prior=prior,
        start=start,
    )


def _start(guesses: Sequence[Guess], known: Known) -> tuple[np.ndarray, float]:
    """Values to start from, a lens without colour, and the usual floor in pixels."""
    telescope = known.telescope
    share = np.sqrt((1 + telescope.obstruction**2) / 2)
    slope = known.slope_px_per_step or (
        float(np.median([g.slope_px_per_step for g in guesses])) / share
    )
    floor = float(np.median([g.floor_px for g in guesses]))
    start = np.zeros(FIRST + 3 * len(guesses))
    start[LOG_SLOPE] = np.log(slope)
    start[LOG_DIFFRACTION] = np.log(telescope.diffraction_px_per_um)
    start[LOG_SPREAD] = np.log(PRIORS.spread_floors * floor)
    start[AIR] = 5 / 3
    start[SPECTRUM] = USUAL_SPECTRUM
    start[ZERO] = np.median([g.best_steps for g in guesses])
    start[FIRST::3] = [g.best_steps - start[ZERO] for g in guesses]
    # Diffraction takes its part of the floor, about 0.53 lambda N of half-flux radius.
    airy = 0.55 * 0.53 * telescope.diffraction_px_per_um
    start[FIRST + 1 :: 3] = np.log(
        [np.sqrt(max(g.floor_px**2 - airy**2, 0.2 * g.floor_px**2)) / 0.57 for g in guesses]
    )
    return start, floor


def _priors(start: np.ndarray, floor: float, *, known: Known, spacing: float, dyes: bool) -> Prior:
    """What is taken as likely before looking."""
    slope, px = float(np.exp(start[LOG_SLOPE])), known.telescope.blur_px_per_um
    stated, sure = known.slope_px_per_step, known.focal_ratio and known.pixel_um
    target = start.copy()
    target[FIRST::3] = 0.0
    scale, tail = np.ones(start.size), np.full(start.size, np.inf)
    scale[LOG_SLOPE] = PRIORS.slope if stated else PRIORS.free_slope
    scale[LOG_DIFFRACTION] = OPTICS_STATED if sure else PRIORS.diffraction
    scale[COLOUR] = px * np.array(PRIORS.colour_um)
    scale[SPHERICAL], scale[LOG_SPREAD] = PRIORS.spherical_waves, PRIORS.spread_log
    scale[AIR], scale[SPECTRUM] = PRIORS.air, PRIORS.spectrum_spread
    scale[ROUNDING] = PRIORS.dyes[1] if dyes else scale[ROUNDING]
    scale[ZERO], scale[PLAY] = 1e3 * floor / slope, spacing
    scale[FIRST::3] = PRIORS.glass_um * px / slope
    scale[FIRST + 1 :: 3], scale[FIRST + 2 :: 3] = PRIORS.seeing, PRIORS.tint
    tail[LOG_SLOPE] = PRIORS.slope_tail if stated else np.inf
    tail[COLOUR], tail[PLAY], tail[FIRST::3] = (
        PRIORS.colour_tail, PRIORS.play_tail, PRIORS.glass_tail
    )  # fmt: skip
    return Prior(target, scale, tail)


def without_colour(night: Night) -> Prior:
    """The priors of a night whose lens, a mirror or an apochromat, has next to no colour."""
    scale, tail, second = night.prior.scale.copy(), night.prior.tail.copy(), COLOUR.start + 1
    scale[second] = PRIORS.plain_colour_um * night.telescope.blur_px_per_um
    tail[second] = np.inf
    return replace(night.prior, scale=scale, tail=tail)


def exposures(curves: Sequence[FocusCurve], rows: Sequence[np.ndarray]) -> np.ndarray:
    """Number of each frame's exposure, which channels of a camera share: (n,)."""
    number: dict[tuple[object, ...], int] = {}
    keys = [
        (c.names[i], float(c.time_mjd[i]), float(c.position_steps[i]))
        if np.isfinite(c.time_mjd[i]) else (s, i)
        for s, (c, r) in enumerate(zip(curves, rows, strict=True)) for i in r
    ]  # fmt: skip
    return np.array([number.setdefault(key, len(number)) for key in keys])
