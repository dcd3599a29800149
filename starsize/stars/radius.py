"""Half-flux radius at given places, with its uncertainty."""

from dataclasses import dataclass, fields, replace

import numpy as np

from .background import CELL_PX, bin_mean
from .flags import StarFlag
from .guess import guess_radius
from .neighbours import Neighbours
from .patches import Patches, read_patches
from .solve import Solved, rough_radius, solve_frame
from .teachers import wings_of_teachers

#: Above this half-flux radius (pixels) the image is binned before measuring; what the wider pixels
#: add to the radius, less than half a per cent, is taken off again.
_BIN_ABOVE_PX = 7.0
_LEAST_SIDE_PX = 250
_TOO_COARSE = 0.7
#: The sky map takes up some light of the wings: so much of a star's, spread over a cell of the map
#: (seen in simulated frames: -0.01 to 0.04).
_TAKEN_UP = 0.015
_SCOUTS, _ROUNDS = 30, 3


@dataclass(frozen=True, slots=True, eq=False)
class Radii:
    """Half-flux radii of many stars; arrays of equal length, NaN where not measurable.

    Attributes
    ----------
    x, y : arrays
        Centre, pixels.
    radius, sigma : arrays
        Half-flux radius and its standard uncertainty, pixels: the best estimate, which draws on
        what the stars of the frame have in common.
    own_radius, own_sigma : arrays
        The same from the star's own light alone, for what compares stars with each other.
    common_sigma : array
        The part of ``own_sigma`` that all stars of the frame share: how far the radius hangs on
        what is not known of their wings.
    mean_radius : array
        Flux-weighted mean radius, pixels: another quantity, see ``conventions``.
    flux, flux_sigma : arrays
        Total flux, wings included, ADU.
    background : array
        Local background, ADU.
    elongation : array
        Longer over shorter axis.
    flags : int array
        ``StarFlag`` bits.
    """

    x: np.ndarray
    y: np.ndarray
    radius: np.ndarray
    sigma: np.ndarray
    own_radius: np.ndarray
    own_sigma: np.ndarray
    common_sigma: np.ndarray
    mean_radius: np.ndarray
    flux: np.ndarray
    flux_sigma: np.ndarray
    background: np.ndarray
    elongation: np.ndarray
    flags: np.ndarray


def half_flux_radius(
    image: np.ndarray,
    positions: np.ndarray,
    *,
    guess_px: float | None = None,
    total_flux: np.ndarray | None = None,
    background_adu: float | np.ndarray | None = None,
    noise_adu: float | None = None,
    gain_e_per_adu: float | None = None,
    saturation_adu: float | None = None,
    recentre: bool = True,
) -> Radii:
    """Measure the half-flux radius of the stars at given places.

    The stars are taken to be of one frame: they share the growth of light with radius, which the
    bright ones teach and which says how much of each star's light lies beyond its aperture.

    Parameters
    ----------
    image : (ny, nx) array
        Pixel values in ADU; NaN where unusable.
    positions : (n, 2) array
        ``(x, y)`` in pixels.
    guess_px : float, optional
        About how large the stars are; found from the image where not given.
    total_flux : (n,) array, optional
        Total fluxes where they are known, ADU.
    background_adu : float or (n,) array, optional
        Background where it is known; else taken from a ring about each star.
    noise_adu : float, optional
        Noise of a pixel of empty sky; else taken from that ring.
    gain_e_per_adu : float, optional
        For the photon noise of the star itself; left out where unknown.
    saturation_adu : float, optional
        Level from which a pixel counts as saturated.
    recentre : bool
        False to keep the given places.

    Returns
    -------
    Radii

    Raises
    ------
    ValueError
        If ``image`` is not 2-D, ``positions`` is not (n, 2), or ``total_flux`` has not n entries.

    Notes
    -----
    Accuracy: scripts/star_accuracy.py; smaller twins in tests/stars/test_radius.py.
    """
    image, positions = _checked(image, positions)
    n = len(positions)
    if total_flux is not None and np.shape(total_flux) != (n,):
        msg = f"'total_flux' must have shape ({n},), got {np.shape(total_flux)}"
        raise ValueError(msg)
    background = None
    if background_adu is not None:
        background = np.array(np.broadcast_to(np.asarray(background_adu, float), n))
    if n == 0:
        return no_radii(0)
    if guess_px is None:
        guess_px = guess_radius(image, positions)
    return measure_at(
        image,
        positions,
        guess_px=guess_px,
        sky=background,
        sky_is_known=background is not None,
        noise=noise_adu,
        gain=gain_e_per_adu,
        ceiling=np.inf if saturation_adu is None else saturation_adu,
        total_flux=None if total_flux is None else np.asarray(total_flux, float),
        recentre=recentre,
    )


def measure_at(
    image: np.ndarray,
    places: np.ndarray,
    *,
    guess_px: float,
    sky: np.ndarray | None,
    noise: float | None,
    gain: float | None,
    ceiling: float,
    neighbours: Neighbours | None = None,
    total_flux: np.ndarray | None = None,
    sky_is_known: bool = False,
    recentre: bool = True,
    held_variance: float = 0.0,
) -> Radii:
    """Measure all stars of a frame at once; see ``half_flux_radius`` for the meaning of each item.

    ``sky`` is the level of the sky map at each star; the ring about the star refines it unless
    ``sky_is_known``. ``held_variance`` is blur to be taken out again, pixels squared along each
    axis: that of values which stand for more than their own pixel.
    """
    if len(places) == 0:
        return no_radii(0)
    given, given_neighbours, given_flux = places, neighbours, total_flux
    factor = 1
    while guess_px / factor > _BIN_ABOVE_PX and min(image.shape) / factor > _LEAST_SIDE_PX:
        factor *= 2
    work = bin_mean(image, factor) if factor > 1 else image
    places = (places + 0.5) / factor - 0.5
    total_flux = None if total_flux is None else total_flux / factor**2
    if neighbours is not None:
        neighbours = replace(neighbours, places=(neighbours.places + 0.5) / factor - 0.5)
    guess = guess_px / factor

    inverse_gain = 0.0 if not gain else 1 / (gain * factor**2)

    sky_tie = (
        0.0 if sky_is_known else np.inf if sky is None else _TAKEN_UP * (factor / CELL_PX) ** 2
    )

    def read(some: slice) -> Patches:
        return read_patches(
            work,
            places[some],
            guess_px=guess,
            sky=None if sky is None else sky[some],
            noise=None if noise is None else noise / factor,
            ceiling=ceiling,
            neighbours=neighbours,
            recentre=recentre,
        )

    def look() -> tuple[Patches, Solved | None]:
        patches, wings = read(slice(None)), None
        if total_flux is None:
            wings = wings_of_teachers(
                work, patches, neighbours, inverse_gain=inverse_gain, sky_tie=sky_tie
            )
        solved = solve_frame(
            patches,
            inverse_gain=inverse_gain,
            total_flux=total_flux,
            sky_is_known=sky_is_known,
            wings=wings,
        )
        return patches, solved

    # The circles must suit the stars. A few settle how large these are before all are measured.
    for _ in range(2 if len(places) > 2 * _SCOUTS else 0):
        typical = rough_radius(
            read(slice(_SCOUTS)), inverse_gain=inverse_gain, sky_is_known=sky_is_known
        )
        if typical is not None:
            settled, guess = _suits(typical, guess), typical
            if settled:
                break
    for _ in range(_ROUNDS):
        patches, solved = look()
        if solved is None or _suits(solved.typical_px, guess):
            break
        guess = solved.typical_px
    if solved is None:
        return replace(no_radii(len(places)), x=patches.x, y=patches.y)
    if factor > 1 and solved.typical_px * factor < _TOO_COARSE * _BIN_ABOVE_PX:
        # The guess was far too large, and the pixels with it: again on pixels that suit.
        return measure_at(
            image,
            given,
            guess_px=solved.typical_px * factor,
            sky=sky,
            noise=noise,
            gain=gain,
            ceiling=ceiling,
            neighbours=given_neighbours,
            total_flux=given_flux,
            sky_is_known=sky_is_known,
            recentre=recentre,
            held_variance=held_variance,
        )
    held = held_variance / factor**2 + (1 - factor**-2) / 12
    return _at_full_scale(patches, solved, factor, solved.curve.swelling(held))


def _suits(typical_px: float, guess: float) -> bool:
    """True where circles made for ``guess`` suit stars as large as they turned out to be."""
    return 0.85 < typical_px / guess < 1.18


def _at_full_scale(patches: Patches, solved: Solved, factor: int, swelling: float) -> Radii:
    """Undo the binning: places, radii (less the blur of wide pixels) and fluxes."""
    scale = factor * (1 - swelling)
    return Radii(
        x=(patches.x + 0.5) * factor - 0.5,
        y=(patches.y + 0.5) * factor - 0.5,
        radius=solved.radius * scale,
        sigma=solved.sigma * scale,
        own_radius=solved.own_radius * scale,
        own_sigma=solved.own_sigma * scale,
        common_sigma=solved.common_sigma * scale,
        mean_radius=solved.mean_radius * scale,
        flux=solved.flux * factor**2,
        flux_sigma=solved.flux_sigma * factor**2,
        background=patches.sky + solved.sky,
        elongation=patches.elongation,
        flags=patches.flags | solved.flags,
    )


def no_radii(n: int) -> Radii:
    """Radii of ``n`` stars that could not be measured."""
    names = [f.name for f in fields(Radii) if f.name != "flags"]
    nothing = {name: np.full(n, np.nan) for name in names}
    return Radii(**nothing, flags=np.full(n, int(StarFlag.UNMEASURED)))


def _checked(image: np.ndarray, positions: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    image = np.asarray(image)
    if image.ndim != 2:
        msg = f"'image' must be 2-D, got shape {image.shape}"
        raise ValueError(msg)
    positions = np.asarray(positions, float)
    if positions.size == 0:
        return image, positions.reshape(0, 2)
    if positions.ndim != 2 or positions.shape[1] != 2:
        msg = f"'positions' must have shape (n, 2), got {positions.shape}"
        raise ValueError(msg)
    return image, positions
