"""The main job on frames that another library draws: nothing of ours is in them.

GalSim (Rowe et al. 2015, Astronomy and Computing 10, 121) makes the pupil, its aberrations, the
seeing and the pixels; the circle that holds half of its light by photutils is the truth of every
frame, and the offsets are those that the frames were drawn with. Defocus of D waves at the edge of
the pupil is Noll's Z4 of D / (2 sqrt 3) waves rms (Noll 1976, J. Opt. Soc. Am. 66, 207; both from
memory).
"""

from dataclasses import dataclass, field

import numpy as np
import pytest
from astropy.io import fits
from photutils.centroids import centroid_com
from photutils.profiles import CurveOfGrowth

from starsize import Setup, measure_offsets
from starsize.setup import Camera, Focuser, Telescope

galsim = pytest.importorskip("galsim", reason="GalSim has no wheels for this system")

#: Wavelengths drawn of each filter, nm, and where it focuses, in steps.
FILTERS = {"L": ((480, 620), 0), "R": ((640,), 7), "Ha": ((656,), -19)}
POSITIONS = np.arange(-60, 61, 15)
SIDE_PX, STARS, NOISE_E = 320, 24, 5.0


@dataclass(frozen=True)
class Invented:
    """An invented telescope; ``waves`` are rms waves of aberration at 550 nm."""

    aperture_mm: float
    focal_ratio: float
    step_um: float
    pixel_um: float
    seeing_arcsec: float
    obstruction: float = 0.0
    struts: int = 0
    waves: dict[str, float] = field(default_factory=dict)

    @property
    def scale(self) -> float:
        """Seconds of arc to a pixel."""
        return 206.265 * self.pixel_um / (self.aperture_mm * self.focal_ratio)

    def star(self, defocus_um: float, wavelengths_nm: tuple[int, ...], seeing: float):
        """One star's light, fine pixels, and its half-light radius in pixels."""
        colours = [self._colour(defocus_um, one) for one in wavelengths_nm]
        sky = galsim.Kolmogorov(fwhm=seeing * (np.mean(wavelengths_nm) / 550) ** -0.2)
        light = galsim.Convolve(galsim.Sum(colours), sky)
        image = light.drawImage(nx=512, ny=512, scale=self.scale / 3, method="no_pixel")
        # In circles as wide as GalSim's own half-light radius about: that counts whole pixels.
        radii = image.calculateHLR() / image.scale * np.linspace(0.8, 1.2, 9)
        inside = CurveOfGrowth(image.array, centroid_com(image.array), radii).profile
        truth = float(np.interp(0.5, inside / image.array.sum(), radii)) / 3
        return galsim.InterpolatedImage(image, x_interpolant="quintic", flux=1.0), truth

    def _colour(self, defocus_um: float, nm: float):
        waves = defocus_um / (8 * self.focal_ratio**2 * nm / 1e3)
        shape = {name: size * 550 / nm for name, size in self.waves.items()}
        return galsim.OpticalPSF(
            lam=nm, diam=self.aperture_mm / 1e3, defocus=waves / (2 * np.sqrt(3)), **shape,
            obscuration=self.obstruction, nstruts=self.struts, strut_thick=0.015,
            oversampling=1.2, pad_factor=1.2,
        )  # fmt: skip


TELESCOPES = {
    "refractor f/7": Invented(100, 7.0, 12.0, 3.76, 2.8),
    "mirror f/4 with trefoil and vanes": Invented(
        200, 4.0, 5.0, 3.8, 2.4, obstruction=0.33, struts=4, waves={"trefoil1": 0.06}
    ),
    "mirror f/8 with astigmatism and wide shadow": Invented(
        250, 8.0, 16.0, 5.4, 2.2, obstruction=0.46, waves={"astig1": 0.06, "spher": 0.05}
    ),
}


def draw(folder, telescope, rng):
    """Write the frames; return the true radius of each."""
    x, y = rng.uniform(20, SIDE_PX - 20, (2, STARS))
    light_e = np.minimum(4e4 * (1 + rng.pareto(1.0, STARS)), 1e6)
    truth = {}
    for name, (wavelengths, best) in FILTERS.items():
        for position in POSITIONS:
            seeing = telescope.seeing_arcsec * np.exp(rng.normal(0, 0.05))
            defocus_um = (position - best) * telescope.step_um
            star, radius_px = telescope.star(defocus_um, wavelengths, seeing)
            image = galsim.ImageF(SIDE_PX, SIDE_PX, scale=telescope.scale, xmin=0, ymin=0)
            for at_x, at_y, light in zip(x, y, light_e, strict=True):
                stamp = galsim.ImageF(
                    galsim.BoundsI(*(int(c) + d for c in (at_x, at_y) for d in (-50, 50))),
                    scale=telescope.scale,
                )
                star.withFlux(light).drawImage(stamp, center=galsim.PositionD(at_x, at_y))
                shared = stamp.bounds & image.bounds
                image[shared] += stamp[shared]
            counts = rng.poisson(np.maximum(image.array, 0) + 200.0) + 300.0
            counts += rng.normal(0, NOISE_E, counts.shape)
            file = folder / f"{name}{position + 100:03d}.fits"
            header = {"FILTER": name, "FOCUSPOS": 5000 + int(position), "EXPTIME": 3.0}
            header["MJD-OBS"] = 61010 + len(truth) / 8640
            adu = np.clip(np.rint(counts), 0, 65535).astype(np.uint16)
            fits.writeto(file, adu, fits.Header(header))
            truth[file.name] = radius_px
    return truth


@pytest.mark.parametrize("name", TELESCOPES)
def test_radii_and_offsets_of_frames_drawn_elsewhere(name, tmp_path):
    telescope = TELESCOPES[name]
    truth = draw(tmp_path, telescope, np.random.default_rng(11))
    setup = Setup(
        telescope=Telescope(
            aperture_mm=telescope.aperture_mm,
            focal_length_mm=telescope.aperture_mm * telescope.focal_ratio,
            obstruction_mm=telescope.aperture_mm * telescope.obstruction,
        ),
        focuser=Focuser(um_per_step=telescope.step_um),
        camera=Camera(pixel_um=telescope.pixel_um, gain_e_per_adu=1.0),
    )
    result = measure_offsets([tmp_path], setup=setup)
    frames = [frame for sweep in result.measured for frame in sweep.frames]
    found = np.array([frame.radius_px for frame in frames])
    true = np.array([truth[frame.facts.path.name] for frame in frames])
    ratio = found / true
    assert np.isfinite(ratio).all()
    assert abs(np.median(ratio) - 1) < 0.008
    # Most of the light that vanes throw aside lies below the noise.
    assert np.abs(ratio - 1).max() < (0.035 if telescope.struts else 0.025)
    for row in result.comparison.rows:
        error = row.offset_steps - FILTERS[row.filter][1]
        assert abs(error) < 0.1 * row.zone_steps
        assert abs(error) <= 3 * row.offset_sigma_steps
    if "spher" not in telescope.waves:  # which moves the smallest circle of half of the light
        best = {fit.curve.filter: fit.best_steps - 5000 for fit in result.curves.fits}
        assert best == pytest.approx({name: at for name, (_, at) in FILTERS.items()}, abs=0.4)
