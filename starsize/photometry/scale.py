"""Stars of about one size, measured on the image at the binning that suits them."""

import numpy as np
from scipy.spatial import cKDTree

from .aperture import Group, Source, cut_out
from .combine import FAINT_SNR
from .detect import typical_width
from .law import RADII, SHARES, Law
from .measured import StarFlag, Stars
from .patches import Patches

#: Half-flux radius over the width of the Gaussian that fits best.
HALF_WIDTHS = 1.15
#: A star so much smaller or larger than the others has patches of its own.
_SAME_SIZE = 2.5
#: So many bright stars settle in so many looks how large all are.
_SCOUTS, _LOOKS = 10, 3
#: Stars with more of their neighbours' light than this are set aside; so are those of which so
#: many pixels are missing.
_FOREIGN, _MISSING = 0.05, 0.15


def no_stars(n: int) -> Stars:
    """Return ``n`` stars that could not be measured."""
    nothing = {f: np.full(n, np.nan) for f in Stars.__slots__ if f != "flags"}
    nothing["bounds"] = np.full((n, 4), np.nan)
    return Stars(**nothing, flags=np.full(n, int(StarFlag.UNMEASURED)))


def measure_peaks(source: Source, n: int) -> tuple[Stars, np.ndarray]:
    """Measure the first peaks, stars of one size together; also their common errors (n, 3)."""
    stars, common = no_stars(n), np.full((n, 3), np.nan)
    if n == 0:
        return stars, common
    first = source.peaks.part(np.arange(n))
    lg_size = np.log(first.width / typical_width(first))
    group = np.where(np.abs(lg_size) < np.log(_SAME_SIZE), 0, np.rint(lg_size / np.log(2)))
    sky = source.found.sky.planes(first.x, first.y)
    for size in np.unique(group):
        these = np.flatnonzero(group == size)
        guess = HALF_WIDTHS * typical_width(first.part(these))
        for _ in range(_LOOKS):
            scouts = cut_out(source, sky, these[:_SCOUTS], guess)
            seen = scouts.factor * np.median(scouts.first_look()[0])
            before, guess = guess, float(np.clip(seen, guess / 3, guess * 3))
            if 0.8 < seen / before < 1.25:
                break
        part, common[these] = _measured(source, cut_out(source, sky, these, guess))
        for name in Stars.__slots__:
            getattr(stars, name)[these] = getattr(part, name)
    return stars, common


def _measured(source: Source, group: Group) -> tuple[Stars, np.ndarray]:
    """Stars of a group; also their common errors (n, 3)."""
    f, patches = group.factor, group.patches
    half, law = group.first_look()
    # Those teach that lie within the image and have the fewest neighbours.
    clear = patches.trusted.mean(axis=(1, 2))
    teach = clear >= min(0.995, float(np.quantile(clear, 0.7)))
    for _ in range(2):
        law = group.learn(half, law, teach)
        half = group.halves(half, law)
    got, common = group.measure(half, law)
    snr = np.maximum(got["flux"], 0) / got["flux_sigma"]
    foreign = _foreign_share(group, got["flux"], float(np.median(half)), law)
    flags = _pixel_flags(group, half, law, source.ceiling - group.sky)
    bad = ~(got["flux"] > 0)
    flags[~(snr >= FAINT_SNR)] |= int(StarFlag.FAINT)
    flags[foreign > _FOREIGN] |= int(StarFlag.BLENDED)
    flags[bad] |= int(StarFlag.UNMEASURED)
    for name in (*SHARES, "bounded"):
        blended = 0.35 * np.minimum(foreign, 1.0) * got[name]
        got[f"{name}_sigma"] = np.hypot(got[f"{name}_sigma"], blended)
        got[name][bad] = np.nan
    # Pixels of a binned image are means.
    got["flux"], got["flux_sigma"] = got["flux"] * f**2, got["flux_sigma"] * f**2
    stars = Stars(
        **got,
        **_moments(patches, 1.6 * half),
        x=patches.x + patches.left,
        y=patches.y + patches.top,
        background=group.sky + group.level,
        snr=snr,
        flags=flags,
    )
    return stars.on_finer(f, np.full(2, (f - 1) / 2)), common * f


def _moments(patches: Patches, reach: np.ndarray) -> dict[str, np.ndarray]:
    """Mean radius, elongation and direction of the light within reach, by the names in `Stars`."""
    light, _, place = patches.middle(float(np.nanmax(reach)) + 1)
    r = np.abs(place)
    light = light * np.clip(reach[:, None, None] - r + 0.5, 0, 1)
    total = np.maximum(light.sum(axis=(1, 2)), 1e-9)
    mean, square, twist = ((light * v).sum(axis=(1, 2)) / total for v in (r, r**2, place**2))
    # The squares of the axes are (square + split) / 2 and (square - split) / 2.
    split = np.abs(twist)
    with np.errstate(invalid="ignore", divide="ignore"):
        longer = np.sqrt((square + split) / np.maximum(square - split, 0.02 * square))
    angle_deg = np.degrees(0.5 * np.angle(twist))
    return {"mean_radius": mean, "elongation": longer, "angle_deg": angle_deg}


def _pixel_flags(group: Group, half: np.ndarray, law: Law, ceiling: np.ndarray) -> np.ndarray:
    """Flags of stars of such half-flux radii: at the edge, bad pixels, at the ceiling."""
    patches = group.patches
    reach = float(np.interp(0.9, law.share, RADII)) * half
    core = np.maximum(1.2 * half, 1.5)
    pixels, read, place = patches.middle(max(reach.max(), core.max()))
    distance = np.abs(place)
    inside = distance <= np.minimum(reach, patches.half)[:, None, None]
    unread = (inside & ~read).sum(axis=(1, 2)) / np.maximum(inside.sum(axis=(1, 2)), 1)
    flags = np.where(unread > _MISSING, int(StarFlag.MASKED), 0)
    x, y = patches.x + patches.left, patches.y + patches.top
    height, width = group.image.shape
    room = np.minimum.reduce([x, y, width - 1 - x, height - 1 - y]) + 0.5
    flags[room < reach] |= int(StarFlag.EDGE)
    full = read & (distance <= core[:, None, None]) & (pixels >= ceiling[:, None, None])
    flags[full.any(axis=(1, 2))] |= int(StarFlag.SATURATED)
    return flags


def _foreign_share(group: Group, flux: np.ndarray, half_px: float, law: Law) -> np.ndarray:
    """Share of the light in the apertures of the chosen peaks that is their neighbours'.

    A neighbour's light in a circle that its distance puts it in: what its growth curve holds
    between the nearest and the farthest point, on the arc that the circle covers.
    """
    peaks = group.peaks
    light = np.maximum(peaks.snr * peaks.width, 1e-9)
    light *= np.median(np.maximum(flux, 0) / light[group.chosen])
    aperture = float(np.interp(0.93, law.share, RADII)) * half_px
    places = np.stack([peaks.x, peaks.y], 1)
    pairs = cKDTree(places).query_pairs(3 * aperture, output_type="ndarray")
    a, b = np.concatenate([pairs, pairs[:, ::-1]]).T
    gap = np.hypot(*(places[a] - places[b]).T)
    near, far = np.abs(gap - aperture) / half_px, (gap + aperture) / half_px
    arc = np.arcsin(np.minimum(1, aperture / np.maximum(gap, aperture))) / np.pi
    inside = np.where(gap < aperture, law.inside(near), 0.0)
    caught = inside + (law.inside(far) - law.inside(near)) * arc
    caught *= np.maximum(light[b], 0) / np.maximum(light[a], 1e-9)
    return np.bincount(a, caught, len(light))[group.chosen]
