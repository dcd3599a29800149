"""The sweeps of a night as one model: which quantity is where, what it predicts, its priors."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from ..filters import BANDS, Band
from ..optics import sizes as optics
from ..optics.sizes import star_sizes
from ..optics.star import USUAL_SPECTRUM, Apertures, Known, Stars, StarState, prepare_stars
from .curve import INNER, BoundedRadii, FocusCurve, of_columns
from .fitted import Ending
from .plain import guess_hyperbola
from .statistics import PRIORS, Prior

UNKNOWN_BAND: Final = Band(550.0, 100.0)


class Q:
    """Where each quantity of the night stands; those of SHARED in the order of `optics.sizes`.

    From FIRST on of each sweep how far its zero lies beyond that of the night, its log seeing and
    its tint.
    """

    LOG_SLOPE, LOG_DIFFRACTION, COLOUR, SPHERICAL, LOG_SPREAD = 0, 1, slice(2, 5), 5, 6
    AIR, SPECTRUM, ZERO, PLAY, SHARED = 7, slice(8, 11), 11, 12, slice(2, 11)
    FIRST, OWN = 13, 3
    ZEROS, LOG_SEEINGS = slice(FIRST, None, OWN), slice(FIRST + 1, None, OWN)


@dataclass(frozen=True, slots=True, eq=False)
class Night:
    """The radii of all frames of all sweeps, n entries, and what is known before looking."""

    sweep: np.ndarray
    position_steps: np.ndarray
    radius_px: np.ndarray
    sigma_px: np.ndarray
    first_steps: np.ndarray  # where the counter stood at the sweep's first frame
    turned: np.ndarray  # the way it ran, 1 or -1, if play was taken up there, else 0
    inner: np.ndarray  # true for the inner radius of a frame that has its own entry
    exposure: np.ndarray
    """Number of the exposure that an entry belongs to, with others in the same seeing."""
    telescope: Known
    bands: tuple[Band, ...]
    stars: Stars  # one for each frame; of those with inner radii both are asked
    asked: np.ndarray  # where the radius of an entry stands among all that are asked of the stars
    prior: Prior
    start: np.ndarray
    near: Ending | None = None  # where the same sweeps ended at nearly the same positions

    @property
    def fraction(self) -> np.ndarray | float:
        """Share of the light in the radii that are asked of the stars."""
        return np.array([[0.5], [INNER]]) if self.stars.seen.total_px.ndim > 1 else 0.5

    @property
    def middle_um(self) -> np.ndarray:
        """Wavelength of each sweep's band."""
        return 1e-3 * np.array([band.wavelength_nm for band in self.bands])

    def frames(self, sweep: int) -> np.ndarray:
        """The entries of a sweep that stand for its frames: (n,)."""
        return (self.sweep == sweep) & ~self.inner

    def standing(self, values: np.ndarray) -> np.ndarray:
        """Frames taken while the play was taken up and the camera stood: (n,)."""
        run = np.abs(self.position_steps - self.first_steps)
        return (self.turned != 0) & (run < values[Q.PLAY])

    def places(self, values: np.ndarray) -> np.ndarray:
        """Where the camera was, as the counter has it: (n,)."""
        stood = self.first_steps + self.turned * values[Q.PLAY]
        return np.where(self.standing(values), stood, self.position_steps)

    def blur_px(self, values: np.ndarray) -> np.ndarray:
        """Defocus of 550 nm, as the radius of its disc: (n,)."""
        zero = values[Q.ZERO] + values[Q.ZEROS][self.sweep]
        return np.exp(values[Q.LOG_SLOPE]) * (self.places(values) - zero)

    def state(self, values: np.ndarray) -> StarState:
        """What shapes the stars of all frames, in order of their outer radii."""
        own = values[Q.FIRST :].reshape(-1, Q.OWN)[self.sweep[~self.inner]]
        return StarState(
            blur_px=self.blur_px(values)[~self.inner],
            seeing_px=np.exp(own[:, 1]),
            diffraction_px_per_um=float(np.exp(values[Q.LOG_DIFFRACTION])),
            colour_px=values[Q.COLOUR],
            spherical=float(values[Q.SPHERICAL]),
            spread_px=float(np.exp(values[Q.LOG_SPREAD])),
            air=float(values[Q.AIR]),
            spectrum=values[Q.SPECTRUM],
            tint=own[:, 2],
        )

    def shape(self, values: np.ndarray, sweep: int) -> tuple[float, ...]:
        """What `fitted.share_radius` draws the curve of a sweep from."""
        away, log_seeing, tint = values[Q.FIRST + Q.OWN * sweep :][: Q.OWN]
        band = self.bands[sweep]
        numbers = (
            *(self.telescope.obstruction, band.wavelength_nm, band.width_nm),
            *np.exp(values[[Q.LOG_DIFFRACTION, Q.LOG_SLOPE]]),
            *(values[Q.ZERO] + away, np.exp(log_seeing), tint),
            *(values[Q.SPHERICAL], np.exp(values[Q.LOG_SPREAD]), values[Q.AIR]),
            *(*values[Q.SPECTRUM], *values[Q.COLOUR]),
        )
        return tuple(map(float, numbers))

    def radii(
        self, values: np.ndarray, *, start_px: np.ndarray | None = None
    ) -> tuple[np.ndarray, np.ndarray]:
        """Radii of all entries (n,) and their derivatives by all quantities (n, p).

        ``start_px`` is about where the radii lie.
        """
        if start_px is not None:
            whole = np.tile(start_px[~self.inner], np.size(self.fraction))
            whole[self.asked] = start_px
            start_px = whole.reshape(self.stars.seen.total_px.shape)
        state, fraction = self.state(values), self.fraction
        found = star_sizes(self.stars, state, fraction=fraction, start_px=start_px)
        found = found.reshape(len(found), -1)[:, self.asked]
        radius, by_blur, by_log_seeing, by_tint, by_seen = found[: optics.SEEN + 1]
        by_position = np.exp(values[Q.LOG_SLOPE]) * by_blur
        out = np.zeros((radius.size, values.size))
        out[:, Q.SHARED] = found[optics.SHARED].T
        out[:, Q.LOG_SPREAD] *= state.spread_px
        out[:, Q.LOG_SLOPE] = by_blur * self.blur_px(values)
        # All lengths together scale the radius (Euler): that spares a derivative by diffraction.
        lengths = out[:, Q.LOG_SLOPE] + out[:, Q.LOG_SPREAD] + out[:, Q.COLOUR] @ values[Q.COLOUR]
        out[:, Q.LOG_DIFFRACTION] = radius - lengths - by_log_seeing - by_seen
        out[:, Q.PLAY] = by_position * self.turned * self.standing(values)
        row, first = np.arange(radius.size), Q.FIRST + Q.OWN * self.sweep
        out[row, first] = out[:, Q.ZERO] = -by_position
        out[row, first + 1], out[row, first + 2] = by_log_seeing, by_tint
        return radius, out

    def at(self, position_steps: np.ndarray, sweep: np.ndarray) -> "Night":
        """The same sweeps with frames elsewhere that see all of the light."""
        each = np.arange(sweep.size)
        return replace(
            self, position_steps=position_steps, first_steps=position_steps, sweep=sweep,
            stars=self.stars.elsewhere(sweep), turned=0 * each, inner=each < 0, exposure=each,
            asked=each,
        )  # fmt: skip


def build_night(curves: Sequence[FocusCurve], *, known: Known, bands: Mapping[str, Band]) -> Night:
    """Lay out the usable frames of sweeps that have enough; unnamed bands are usual ones."""
    first = [curve.position_steps[0] for curve in curves]
    curves = [curve.part(curve.usable) for curve in curves]
    fitted, position = [c.to_fit() for c in curves], [c.position_steps for c in curves]
    sweep = np.repeat(np.arange(len(curves)), [x.size for x in position])
    outer, inner = _joined(fitted), _joined([c.inner_to_fit() for c in curves])
    told = np.flatnonzero(np.isfinite(inner.radius_px))
    entries, frame = _joined([outer, inner.part(told)]), np.r_[: sweep.size, told]
    exposure = _exposures(curves)
    known_bands = tuple(bands.get(c.filter) or BANDS.get(c.filter, UNKNOWN_BAND) for c in curves)
    guesses = np.array(
        [guess_hyperbola(x, f.radius_px) for x, f in zip(position, fitted, strict=True)]
    )
    spacing = float(np.median([np.ptp(x) / (x.size - 1) for x in position]))
    dyes = bool(exposure.max() + 1 < exposure.size)
    start, prior = _before_looking(guesses, known, spacing, dyes=dyes)
    both = Apertures(*map(np.stack, zip(outer.seen, inner.seen, strict=True)))
    stars = prepare_stars(
        [(band.wavelength_nm, band.width_nm) for band in known_bands],
        sweep,
        telescope=known,
        largest_blur_px=float(np.exp(start[Q.LOG_SLOPE]) * 1.3 * max(map(np.ptp, position))),
        finest_seeing_px=max(1.2 * float(guesses[:, 1].min()), 0.6),
        seen=both if told.size else outer.seen,
    )
    return Night(
        sweep=sweep[frame], position_steps=np.concatenate(position)[frame],
        radius_px=entries.radius_px, sigma_px=np.nan_to_num(entries.sigma_px),
        first_steps=np.array(first)[sweep[frame]], turned=np.zeros(frame.size),
        inner=np.arange(frame.size) >= sweep.size, exposure=exposure[frame], telescope=known,
        bands=known_bands, stars=stars, asked=np.r_[: sweep.size, sweep.size + told],
        prior=prior, start=start,
    )  # fmt: skip


def _joined(parts: Sequence[BoundedRadii]) -> BoundedRadii:
    return of_columns(map(np.concatenate, zip(*parts, strict=True)))


def _exposures(curves: Sequence[FocusCurve]) -> np.ndarray:
    """Number of each frame's exposure, which channels of a camera share: (n,)."""
    number: dict[tuple[object, ...], int] = {}
    out = []
    for s, curve in enumerate(curves):
        facts = zip(curve.names, curve.time_mjd, curve.position_steps, strict=True)
        for i, (name, time, position) in enumerate(facts):
            key = (name, float(time), float(position)) if np.isfinite(time) else (s, i)
            out.append(number.setdefault(key, len(number)))
    return np.array(out)


def _before_looking(
    guesses: np.ndarray, known: Known, spacing: float, *, dyes: bool
) -> tuple[np.ndarray, Prior]:
    """Values to start from, a lens without colour, and what is taken as likely of each quantity.

    ``guesses`` are hyperbolas, ``spacing`` that of the frames; ``dyes``: before a colour camera.
    """
    best, floors, wings, _ = guesses.T
    stated, diffraction = known.slope_px_per_step, known.diffraction_px_per_um
    slope = stated or np.median(wings) / np.sqrt((1 + known.obstruction**2) / 2)
    slope_prior = (PRIORS.slope, PRIORS.slope_tail) if stated else (PRIORS.free_slope, np.inf)
    sure = PRIORS.optics_stated if known.focal_ratio and known.pixel_um else PRIORS.diffraction
    spectrum = list(zip(USUAL_SPECTRUM, PRIORS.spectrum_spread, strict=True))
    if dyes:
        spectrum[-1] = PRIORS.dyes
    floor, zero = float(np.median(floors)), np.median(best)
    # Diffraction takes its part of the floor, about 0.53 lambda N of half-flux radius.
    airy = 0.55 * 0.53 * diffraction
    seeing = np.sqrt(np.maximum(floors**2 - airy**2, 0.2 * floors**2)) / 0.57
    table = [  # likeliest, scale, tail: in the order of the quantities
        (np.log(slope), *slope_prior),
        (np.log(diffraction), sure, np.inf),
        *((0.0, known.blur_px_per_um * scale, PRIORS.colour_tail) for scale in PRIORS.colour_um),
        (0.0, PRIORS.spherical_waves, np.inf),
        (np.log(PRIORS.spread_floors * floor), PRIORS.spread_log, np.inf),
        (5 / 3, PRIORS.air, np.inf),
        *((*likeliest_and_scale, np.inf) for likeliest_and_scale in spectrum),
        (zero, 1e3 * floor / slope, np.inf),
        (0.0, spacing, PRIORS.play_tail),
    ]
    for width in seeing:
        table += [
            (0.0, PRIORS.glass_um * known.blur_px_per_um / slope, PRIORS.glass_tail),
            (np.log(width), PRIORS.seeing, np.inf),
            (0.0, PRIORS.tint, np.inf),
        ]
    prior = Prior(*np.array(table, float).T)
    start = prior.target.copy()
    start[Q.ZEROS] = best - zero
    return start, prior


def without_colour(night: Night) -> Prior:
    """The priors of a night whose lens, a mirror or an apochromat, has next to no colour."""
    scale = PRIORS.plain_colour_um * night.telescope.blur_px_per_um
    return night.prior.changed(Q.COLOUR.start + 1, scale=scale, tail=np.inf)
