"""Sweeps of a night brought together: one identity a star, stuck pixels, other fields."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from starsize.frames.frame import FrameFacts
from starsize.stars import measure_sweeps
from starsize.stars.night import SweepStars, join_sweeps

from .scenes import Motion, draw, fine_star, spread_places, true_radius, write_sweep

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
    return SweepStars(facts, places[order], 2.5), star[order]


def invented_sky(rng, n, *, around=600):
    """A sky wider than the frame, few bright stars and many faint."""
    places = rng.uniform(-around, (SHAPE[1] + around, SHAPE[0] + around), (n, 2))
    return places, rng.uniform(size=n) ** -1.25


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
    nights = join_sweeps(looks)
    assert all(night.reason is None for night in nights)
    purity, completeness = identities(nights, stars)
    assert purity >= 0.995
    assert completeness >= 0.98
    # Places in the reference frame are those of the sky there.
    base = next(v for v, seen in zip(views, looks, strict=True) if seen.facts == nights[0].frame)
    for night, star in zip(nights, stars, strict=True):
        own = star >= 0
        found = np.stack([night.x_px, night.y_px], 1)[own]
        # A place is uncertain by 0.2 px of its own frame, and by what the way there is.
        assert np.abs(found - base(sky)[star[own]]).max() < 2.5


def test_binning_is_recognised_where_headers_keep_silent():
    rng = np.random.default_rng(5)
    sky, brightness = invented_sky(rng, 300)
    views = View(), View(shift=(8, 50), binning=2)
    looks, stars = zip(*(look(sky, brightness, v, rng=rng, said=False) for v in views), strict=True)
    purity, completeness = identities(join_sweeps(looks), stars)
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
    nights = join_sweeps(looks)
    assert [n.reason is None for n in nights] == [True, False, True]
    assert "another field" in nights[1].reason
    assert (nights[1].identity == -1).all()
    assert np.isnan(nights[1].x_px).all()
    purity, completeness = identities((nights[0], nights[2]), (stars[0], stars[2]))
    assert purity >= 0.995
    assert completeness >= 0.98


def test_two_fields_are_two_nights_of_their_own():
    rng = np.random.default_rng(7)
    skies = [invented_sky(rng, n) for n in (900, 500)]
    views = (View(), View(shift=(15, 9)))
    looks, stars = zip(*(look(*sky, v, rng=rng) for sky in skies for v in views), strict=True)
    nights = join_sweeps(looks)
    assert nights[0].frame == nights[1].frame != nights[2].frame == nights[3].frame
    for one, other in ((0, 2), (1, 3), (0, 3)):
        assert not set(nights[one].identity) & set(nights[other].identity)
    for pair in ((0, 1), (2, 3)):
        assert identities([nights[k] for k in pair], [stars[k] for k in pair])[1] >= 0.98


def test_a_sweep_that_meets_the_reference_nowhere_is_placed_by_way_of_another():
    rng = np.random.default_rng(8)
    sky, brightness = invented_sky(rng, 4000, around=3000)
    views = View(), View(shift=(1900, 0), deepest=0.9), View(shift=(3800, 60), deepest=0.9)
    looks, stars = zip(*(look(sky, brightness, v, rng=rng) for v in views), strict=True)
    nights = join_sweeps(looks)
    assert all(night.reason is None for night in nights)
    assert min(identities(nights, stars)) >= 0.98


def test_too_few_stars_to_compare_are_no_match():
    rng = np.random.default_rng(9)
    sky, brightness = invented_sky(rng, 400)
    few, _ = look(sky, brightness, View(), rng=rng)
    few = SweepStars(few.facts, few.places[:3], 2.5)
    nights = join_sweeps([look(sky, brightness, View(), rng=rng)[0], few])
    assert "too few stars" in nights[1].reason


def test_what_is_stuck_on_its_pixel_is_no_star_and_no_star_is_stuck():
    rng = np.random.default_rng(10)
    sky, brightness = invented_sky(rng, 3000)
    # Two filters before the flip point alike: stuck pixels share even their place on the sky.
    views = View(), View(), View(181.0, (50, 20)), View(181.0, (53, 20))
    looks, stars = zip(*(look(sky, brightness, v, rng=rng) for v in views), strict=True)
    hot = rng.uniform((0, 0), SHAPE[::-1], (40, 2))
    spoilt = [replace(one, places=np.concatenate([one.places, hot])) for one in looks]
    for night, star in zip(join_sweeps(spoilt), stars, strict=True):
        assert night.stuck[-40:].mean() >= 0.95
        assert (night.identity[night.stuck] == -1).all()
        assert np.count_nonzero(night.stuck[:-40] & (star >= 0)) <= 2


def test_nothing_and_a_single_sweep_are_no_trouble():
    assert join_sweeps([]) == ()
    facts = FrameFacts(path=Path("a.fits"))
    (alone,) = join_sweeps([SweepStars(facts, np.ones((1, 2)), 2.0)])
    assert alone.reason is None
    assert alone.identity.tolist() == [0]
    for night in join_sweeps([SweepStars(facts, np.zeros((0, 2)), 2.0)] * 2):
        assert night.reason is not None


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
        night = measured.tracks.night
        assert night.reason is None
        found = np.stack([measured.tracks.x_px, measured.tracks.y_px], 1)
        there = (motion(places, FRAME) + 0.5) / binning - 0.5
        gap = np.hypot(*(found[:, None] - there[None]).transpose(2, 0, 1))
        star = np.where(gap.min(axis=1) < 1.0, gap.argmin(axis=1), -1)
        assert np.count_nonzero(star < 0) <= 1  # a ripple of the noise
        for number, one in zip(night.identity, star, strict=True):
            assert called.setdefault(int(number), int(one)) == one
        seen += len(found)
    assert len(set(called.values())) == len(called)
    assert seen > 2 * len(called)


def test_warm_clumps_are_found_out_by_the_flip_where_no_drift_within_a_sweep_tells(tmp_path):
    rng = np.random.default_rng(1)
    places = spread_places(rng, FRAME, 60, gap=40, rim=5)
    flux = 10 ** rng.uniform(3.8, 5.2, 60)
    rows, columns = rng.integers(5, 550, 30), rng.integers(5, 750, 30)
    excess = 10 ** rng.uniform(2.5, 4.3, 30)

    def warm(image):
        # Four pixels alike pass for a star where the stars are hardly wider.
        for dy, dx in ((0, 0), (0, 1), (1, 0), (1, 1)):
            image[rows + dy, columns + dx] += excess

    views = [
        ("L", Motion(), 1.0, 1),
        ("R", Motion(20, 0, 0.3), 0.6, 1),
        ("Ha", Motion(0, 0, 181.5), 0.15, 1),
    ]
    sweeps = sweeps_of(tmp_path, views, rng=rng, places=places, flux=flux, spoil=warm, fwhm_px=1.9)
    clumps = np.stack([columns + 0.5, rows + 0.5], 1)
    truth = [true_radius(d, fwhm_px=1.9) for d in DISCS]
    for measured in measure_sweeps(sweeps):
        found = np.stack([measured.tracks.x_px, measured.tracks.y_px], 1)
        gap = np.hypot(*(clumps[:, None] - found[None]).transpose(2, 0, 1))
        # Some lie in the light of a star. Unless filters are compared, a dozen are followed.
        assert np.count_nonzero(gap.min(axis=1) < 1.5) <= 4
        radii = np.array([f.radius_px for f in measured.frames])
        assert_allclose(radii[[0, 1, 3, 4]], np.array(truth)[[0, 1, 3, 4]], rtol=0.006)
