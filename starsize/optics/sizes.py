"""The size of a star: the radius that holds a share of its light, and its slopes.

The light inside a radius R is 2 pi R integral of OTF(f) J1(2 pi f R) df.
"""

from typing import NamedTuple

import numpy as np
from scipy.special import j0, j1

from .star import MIDDLE_UM, Colours, Stars, StarState, onto

MOST_STEPS, CLOSE = 12, 1e-3
"""Halley's steps at most; one so small, relative, was the last: errors fall with its cube."""
#: Rows of `star_sizes`. The slopes by what all stars of a telescope share stand last.
RADIUS, BLUR, LOG_SEEING, TINT, SEEN = range(5)
COLOUR, SPHERICAL, SPREAD, AIR, SPECTRUM = slice(5, 8), 8, 9, 10, slice(11, 14)
ROWS, SHARED = 14, slice(5, 14)


def star_sizes(
    stars: Stars,
    state: StarState,
    *,
    fraction: np.ndarray | float = 0.5,
    start_px: np.ndarray | None = None,
    slopes: bool = True,
) -> np.ndarray:
    """Radii that hold a share of the light of each frame's star, and their slopes: (14, ...).

    The radii, pixels, have the shape of ``stars.seen``; ``start_px`` is about where they lie. Their
    slopes are by each quantity of `StarState`, that of `SEEN` by the logarithm of all lengths of
    `Apertures` together; without ``slopes`` there is one row.

    U(r) = integral of exp(2 pi i (D q + S (q^2 - q))) J0(pi r sqrt(q)) dq is what the pupil makes
    of one colour (r in lambda N); its transfer function comes from `pupil_table`. D = blur /
    (4 lambda N) for blur and N in pixels; S goes as 1 / lambda; the seeing passes
    exp(-3.44 (f FWHM / 0.976)^(5/3)), FWHM as lambda^-0.2 (Fried 1966, long exposure -- from
    memory); pixels that add the variance v pass exp(-2 pi^2 v f^2). With F(r) the light inside r,
    the radius R solves

        F(R) - R^2 m = fraction (F(a) - a^2 m),  m = (F(c) - F(b)) / (c^2 - b^2),

    a, b and c the circle and the ring of `Apertures`; m = 0 where there is no ring, and F(a) = 1
    where all light counts.
    """
    if start_px is None:
        sharp = 0.53 * MIDDLE_UM * state.diffraction_px_per_um
        start_px = np.sqrt(sharp**2 + (0.57 * state.seeing_px) ** 2 + 0.5 * state.blur_px**2)
    shape = stars.seen.total_px.shape
    share, about = np.broadcast_to(fraction, shape), np.broadcast_to(start_px, shape)
    found = np.empty((ROWS if slopes else 1, *shape))
    for star, colours in stars.pieces:
        light = _light(stars, star, colours, state, slopes=slopes)
        inside = _inside(stars, star, light.star, share[..., star], about[..., star])
        found[RADIUS][..., star] = inside.radius
        if slopes:
            found[1:, ..., star] = _slopes(stars, star, colours, light, inside)
    return found


def star_radii(
    stars: Stars,
    state: StarState,
    *,
    fraction: np.ndarray | float = 0.5,
    start_px: np.ndarray | None = None,
) -> np.ndarray:
    """The radii of `star_sizes` alone."""
    return star_sizes(stars, state, fraction=fraction, start_px=start_px, slopes=False)[RADIUS]


class _Light(NamedTuple):
    """The light of n stars at k frequencies, of c colours or of all together."""

    lit: np.ndarray  # of each colour: (c, n, k)
    passing: np.ndarray
    """Of that, what the seeing passes, times share of the colour and weight of the frequency."""
    star: np.ndarray  # all colours together: (n, k)
    dimmed: np.ndarray
    """What more seeing takes off, per relative change, and what more of its exponent: (2, n, k)."""
    slopes: np.ndarray
    """Of the pupil by spherical aberration, blur, colour (3) and spread: (6, c, n, nodes)."""
    share: np.ndarray
    onto: np.ndarray
    waves: np.ndarray  # of defocus that a blur of a pixel is: (c,)


def _light(
    stars: Stars, star: np.ndarray, colours: Colours, state: StarState, *, slopes: bool
) -> _Light:
    def own(value: np.ndarray) -> np.ndarray:
        return value[star] if np.size(value) > 1 else np.full(star.size, value)

    shifted = np.tensordot(state.colour_px, colours.terms, 1) - state.spread_px * colours.side
    waves = 1 / (4 * colours.wavelength_um * state.diffraction_px_per_um)
    defocus = (state.blur_px[star, None] - shifted[:, None]) * waves[:, None, None]
    count, across, parts = defocus.shape
    moved = np.stack([np.ones_like(colours.side), *-colours.terms, colours.side])[: 5 * slopes]
    table = stars.table.reaching(defocus)
    read = table.read(
        defocus.reshape(-1, parts),
        state.spherical * MIDDLE_UM / colours.wavelength_um,
        np.repeat(moved, across, axis=1),
        which=np.repeat(np.arange(count), across),
    ).reshape(-1, count, across, table.detail.size)
    hue = state.spectrum @ colours.hue[:3]
    share = np.exp(own(state.tint) * colours.hue[3, :, None] + hue[:, None])
    share = share * colours.share[:, None]
    share = share / share.sum(axis=0)
    # The same air before many stars is worked out once.
    seeing, sky = np.unique(own(state.seeing_px), return_inverse=True)
    log_detail = np.log(stars.frequencies.cycles) + np.log(seeing / 0.976)[:, None]
    log_colour = -0.2 * np.log(colours.wavelength_um / MIDDLE_UM)
    turbulence, colour = 3.44 * np.exp(state.air * log_detail), np.exp(state.air * log_colour)
    passed = np.exp(-colour[:, None, None] * turbulence) * (2 * np.pi * stars.frequencies.weight)
    passing = passed[:, sky] * share[..., None]
    wavelengths = tuple(colours.wavelength_um.tolist())
    carry = onto(stars.table, stars.frequencies, wavelengths, state.diffraction_px_per_um)
    lit = np.matmul(read[0], carry) * passing
    summed = np.stack([np.ones(count), colour, colour * log_colour]) @ lit.reshape(count, -1)
    whole, dimmed, redder = summed.reshape(3, *lit.shape[1:])
    dimmed = turbulence[sky] * np.stack([state.air * dimmed, log_detail[sky] * dimmed + redder])
    return _Light(lit, passing, whole, dimmed, read[1:], share, carry, waves)


class _Inside(NamedTuple):
    """The light inside radii (..., n), those where light(R) - R^2 level is what is wanted."""

    radius: np.ndarray
    kernel: np.ndarray  # over pi, of the light inside: (..., n, k)
    rise: np.ndarray  # how that light grows with the radius
    fraction: np.ndarray
    turn: np.ndarray  # frequencies, radians per pixel: (k,)
    pixels: np.ndarray
    """What the pixels pass, and the ``light`` of the stars that they pass: (..., n, k)."""
    light: np.ndarray


def _inside(
    stars: Stars, star: np.ndarray, light: np.ndarray, fraction: np.ndarray, radius: np.ndarray
) -> _Inside:
    """Halley's method on the light inside a radius."""
    turn = 2 * np.pi * stars.frequencies.cycles
    pixels = np.exp(-0.5 * stars.seen.pixel_px2[..., star, None] * turn**2)
    light = light * pixels
    whole, level = (light * stars.whole[:2, ..., star, :]).sum(-1)
    wanted = fraction * np.where(np.isfinite(stars.seen.total_px[..., star]), whole, 1.0)
    growth = light * turn
    for _ in range(MOST_STEPS):
        phase = turn * radius[..., None]
        first, zero = j1(phase), j0(phase)
        edge, rise = (light * first).sum(-1), (growth * zero).sum(-1)
        missing = wanted - radius * edge + radius**2 * level
        slope = radius * (rise - 2 * level)
        bend = rise - (growth * phase * first).sum(-1) - 2 * level
        # The light grows all the way out; where rounding says no, a step in its direction will do.
        slope = np.maximum(slope, 0.05 * fraction / radius)
        step = missing / slope
        step = step / np.maximum(1 + 0.5 * step * bend / slope, 0.5)
        step = np.clip(step, -0.4 * radius, 0.6 * radius)
        radius = radius + step
        if np.all(np.abs(step) < CLOSE * radius):
            break
    # Carried over the last step: that spares one more evaluation of the kernels.
    short = step[..., None]
    bent = phase * zero + short / 2 * turn * (zero - phase * first)
    kernel = phase / turn * first + short * bent
    return _Inside(radius, kernel, slope + step * bend, fraction, turn, pixels, light)


def _slopes(
    stars: Stars, star: np.ndarray, colours: Colours, light: _Light, inside: _Inside
) -> np.ndarray:
    """How the light inside changes, over how it grows outwards: (13, ..., n)."""
    share, square = inside.fraction[..., None], inside.radius[..., None] ** 2
    whole, ring, whole_grown, ring_grown = stars.whole[..., star, :]
    kernel = inside.kernel - share * whole - square * ring
    by_seen = -(inside.light * (share * whole_grown + square * ring_grown)).sum(-1)
    by_seen -= stars.seen.pixel_px2[..., star] * (kernel * inside.light @ inside.turn**2)
    kernel = kernel * inside.pixels
    # Behind the colours, as many axes as the radii have in front of their stars.
    passing = np.expand_dims(light.passing, tuple(range(1, kernel.ndim - 1)))
    shaped = (kernel * passing).reshape(len(passing), -1, inside.turn.size)
    at_nodes = np.matmul(shaped, light.onto.swapaxes(1, 2))
    at_nodes = at_nodes.reshape(len(passing), *inside.radius.shape, -1)
    moved = np.einsum("c...nj,qcnj->qc...n", at_nodes, light.slopes)
    by_spherical = np.tensordot(MIDDLE_UM / colours.wavelength_um, moved[0], 1)
    by_blur, *by_colour, by_spread = np.tensordot(light.waves, moved[1:], ((0,), (1,)))
    enclosed = np.einsum("...nk,cnk->c...n", kernel, light.lit)
    usual = (colours.hue @ light.share).reshape(len(colours.hue), *passing.shape[1:-1])
    *by_spectrum, by_tint = np.tensordot(colours.hue, enclosed, 1) - usual * enclosed.sum(axis=0)
    by_seeing, by_air = -(kernel * light.dimmed.reshape(2, *passing.shape[1:])).sum(-1)
    lone = [by_blur, by_seeing, by_tint, by_seen]
    shared = [*by_colour, by_spherical, by_spread, by_air, *by_spectrum]
    return np.stack([*lone, *shared]) / -inside.rise
