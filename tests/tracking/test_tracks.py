"""Sweeps of a night brought together: one identity a star, stuck pixels, other fields."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from starsize.frames.frame import FrameFacts
from starsize.tracking import StarTracks, measure_sweeps
from starsize.tracking.tracks import recognise

from .scenes import Motion, draw, fine_star, spread_places, write_sweep

SHAPE = (2000, 3000)


@dataclass(frozen=True)
class View:
    """One filter's look at the invented sky: where it points, how it is turned and binned."""

    turn_deg: float = 0.0
    shift: tuple[float, float] = (0.0, 0.0)
    scale: float = 1.0
    binning: int = 1
    deepest: float = 1.0
    """Share of the stars that are bright enough to be seen."""

    def __call__(self, sky):
        middle = np.array([SHAPE[1] - 1, SHAPE[0] - 1]) / 2
        a = np.radians(self.turn_deg)
        turn = self.scale * np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
        full = (sky - middle) @ turn.T + middle + self.shift
        return (full + 0.5) / self.binning - 0.5


def look(sky, brightness, view, *, rng, strangers=10, said=True):
    """What a sweep shows of the sky, brightest first, and which star each is (-1: a stranger)."""
    shape = tuple(n // view.binning for n in SHAPE)
    places = view(sky) + rng.normal(0, 0.2, sky.shape)
    # Filters see colours, so the order of brightness is not the same; some stars are missed.
    seen = brightness * 10 ** rng.normal(0, 0.15, len(sky))
    shown = (places > 3).all(1) & (places < np.array(shape[::-1]) - 3).all(1)
    shown &= (seen > np.quantile(seen, 1 - view.deepest)) & (rng.uniform(size=len(sky)) > 0.03)
    star = np.concatenate([np.flatnonzero(shown), np.full(strangers, -1)])
    places = np.concatenate([places[shown], rng.uniform((0, 0), shape[::-1], (strangers, 2))])
    order = np.argsort(-np.concatenate([seen[shown], rng.choice(seen, strangers)]))
    name = f"{rng.integers(1 << 40)}.fits"
    facts = FrameFacts(path=Path(name), shape=shape, binning=view.binning if said else 1)
    return (facts, places[order]), star[order]


def invented_sky(rng, n, *, around=600):
    """A sky wider than the frame, few bright stars and many faint."""
    places = rng.uniform(-around, (SHAPE[1] + around, SHAPE[0] + around), (n, 2))
    return places, rng.uniform(size=n) ** -1.25


def join(looks):
    """The tracks of sweeps that show these stars, each recognised in the others."""
    tracks = []
    for _, places in looks:
        none = np.full((len(places), 1), np.nan)
        flags = np.zeros((len(places), 1), int)
        tracks.append(
            StarTracks(
                x_px=places[:, 0], y_px=places[:, 1],
                radius_px=none, radius_sigma_px=none, flags=flags,
            )
        )  # fmt: skip
    return recognise(tracks, [facts for facts, _ in looks], [2.5] * len(tracks))


def identities(nights, stars):
    """Share of the pairs of sightings called one star that are, and of the stars so recognised."""
    right = wrong = missed = 0
    for i, (a, star_a) in enumerate(zip(nights, stars, strict=True)):
        for b, star_b in list(zip(nights, stars, strict=True))[i + 1 :]:
            shared, at_a, at_b = np.intersect1d(a.identity, b.identity, return_indices=True)
            known = shared >= 0
            same = (star_a[at_a] == star_b[at_b]) & (star_a[at_a] >= 0)
            right += np.count_nonzero(same & known)
            wrong += np.count_nonzero(~same & known)
            both = np.intersect1d(star_a[star_a >= 0], star_b[star_b >= 0])
            missed += len(both) - np.count_nonzero(same & known)
    return right / (right + wrong), right / (right + missed)


NIGHTS = {
    "drift": [View(), View(shift=(12, -30)), View(shift=(25, -66), scale=1.002)],
    "hundreds of pixels": [View(), View(shift=(420, -310)), View(shift=(-380, 250))],
    "flip": [View(), View(182.5, (40, 25)), View(177.0, (-60, 8), 0.997)],
    "binning": [View(), View(shift=(30, 12), binning=2), View(180.4, (300, -90), binning=2)],
    "narrow": [View(), View(shift=(9, 4), deepest=0.3), View(181.0, (90, 40), deepest=0.2)],
}


@pytest.mark.parametrize("views", NIGHTS.values(), ids=NIGHTS)
@pytest.mark.parametrize("n_stars", [150, 600, 3000, 12000])
def test_the_same_star_has_one_identity_in_all_filters(views, n_stars):
    rng = np.random.default_rng(len(views[1].shift) + n_stars)
    sky, brightness = invented_sky(rng, n_stars)
    looks, stars = zip(*(look(sky, brightness, v, rng=rng) for v in views), strict=True)
    nights = join(looks)
    assert {night.pointing for night in nights} == {0}
    purity, completeness = identities(nights, stars)
    assert purity >= 0.995
    assert completeness >= 0.98


def test_binning_is_recognised_where_headers_keep_silent():
    rng = np.random.default_rng(5)
    sky, brightness = invented_sky(rng, 300)
    views = View(), View(shift=(8, 50), binning=2)
    looks, stars = zip(*(look(sky, brightness, v, rng=rng, said=False) for v in views), strict=True)
    purity, completeness = identities(join(looks), stars)
    assert purity >= 0.995
    assert completeness >= 0.98


def test_a_sweep_of_another_field_says_so_and_goes_alone():
    rng = np.random.default_rng(6)
    sky, brightness = invented_sky(rng, 2500)
    other = invented_sky(rng, 4000)
    looks, stars = zip(
        look(sky, brightness, View(), rng=rng),
        look(*other, View(), rng=rng),
        look(sky, brightness, View(180.5, (60, 3)), rng=rng),
        strict=True,
    )
    nights = join(looks)
    # Most stars are in the other field.
    assert [n.pointing for n in nights] == [1, 0, 1]
    assert not set(nights[0].identity) & set(nights[1].identity)
    purity, completeness = identities((nights[0], nights[2]), (stars[0], stars[2]))
    assert purity >= 0.995
    assert completeness >= 0.98


def test_two_fields_are_two_nights_of_their_own():
    rng = np.random.default_rng(7)
    skies = [invented_sky(rng, n) for n in (900, 500)]
    views = (View(), View(shift=(15, 9)))
    looks, stars = zip(*(look(*sky, v, rng=rng) for sky in skies for v in views), strict=True)
    nights = join(looks)
    assert [n.pointing for n in nights] == [0, 0, 1, 1]
    for one, other in ((0, 2), (1, 3), (0, 3)):
        assert not set(nights[one].identity) & set(nights[other].identity)
    for pair in ((0, 1), (2, 3)):
        assert identities([nights[k] for k in pair], [stars[k] for k in pair])[1] >= 0.98


def test_a_sweep_that_meets_the_reference_nowhere_is_placed_by_way_of_another():
    rng = np.random.default_rng(8)
    sky, brightness = invented_sky(rng, 4000, around=3000)
    views = View(), View(shift=(1900, 0), deepest=0.9), View(shift=(3800, 60), deepest=0.9)
    looks, stars = zip(*(look(sky, brightness, v, rng=rng) for v in views), strict=True)
    nights = join(looks)
    assert {night.pointing for night in nights} == {0}
    assert min(identities(nights, stars)) >= 0.98


def test_too_few_stars_to_compare_are_no_match():
    rng = np.random.default_rng(9)
    sky, brightness = invented_sky(rng, 400)
    looks = [look(sky, brightness, View(), rng=rng)[0] for _ in range(2)]
    nights = join([looks[0], (looks[1][0], looks[1][1][:3])])
    assert nights[1].pointing is None
    assert nights[0].pointing == 0


def test_nothing_and_a_single_sweep_are_no_trouble():
    assert join([]) == ()
    (alone,) = join([(FrameFacts(path=Path("a.fits")), np.ones((1, 2)))])
    assert alone.pointing is None


FRAME = (560, 760)
DISCS = [6.0, 3.0, 0.0, 3.0, 6.0]


def sweeps_of(folder, views, *, rng, places, flux, spoil=None, **star):
    """Sweeps drawn through several filters, (name, motion, share of light, binning) each."""
    sweeps = []
    for name, motion, share, binning in views:
        images = []
        for disc in DISCS:
            fine = fine_star(disc, obstruction=0.3, **star)
            image, _ = draw(FRAME, motion(places, FRAME), flux * share, fine, rng=rng)
            if spoil is not None:
                spoil(image)
            blocks = image.reshape(FRAME[0] // binning, binning, FRAME[1] // binning, binning)
            images.append(blocks.mean(axis=(1, 3)))
        sweeps.append(
            write_sweep(
                folder, images, positions=np.arange(5.0) * 50, name=f"{name}-1", band=name,
                binning=binning, gain_e_per_adu=1.0,
            )
        )  # fmt: skip
    return sweeps


def test_frames_of_all_filters_know_their_stars_after_flip_drift_and_binning(tmp_path):
    rng = np.random.default_rng(11)
    places = spread_places(rng, FRAME, 60, gap=40, rim=-60)
    flux = 10 ** rng.uniform(4.2, 5.6, 60)
    views = [
        ("L", Motion(), 1.0, 1),
        ("R", Motion(140, -95), 0.4, 1),
        ("Ha", Motion(-30, 12, 181.5), 0.06, 2),
    ]
    sweeps = sweeps_of(tmp_path, views, rng=rng, places=places, flux=flux)
    called: dict[int, int] = {}
    seen = 0
    for measured, (_, motion, _, binning) in zip(measure_sweeps(sweeps), views, strict=True):
        assert measured.tracks.pointing == 0
        good = (measured.tracks.flags == 0).any(axis=1)
        found = np.stack([measured.tracks.x_px, measured.tracks.y_px], 1)[good]
        there = (motion(places, FRAME) + 0.5) / binning - 0.5
        gap = np.hypot(*(found[:, None] - there[None]).transpose(2, 0, 1))
        star = np.where(gap.min(axis=1) < 1.0, gap.argmin(axis=1), -1)
        assert np.count_nonzero(star < 0) <= 1  # a ripple of the noise
        for number, one in zip(measured.tracks.identity[good], star, strict=True):
            assert one < 0 or called.setdefault(int(number), int(one)) == one
        seen += len(found)
    assert len(set(called.values())) == len(called)
    assert seen > 2 * len(called)
