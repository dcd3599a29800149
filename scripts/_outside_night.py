"""Nights drawn at random by another library: telescopes, air, skies and cameras, nothing of ours.

GalSim (Rowe et al. 2015, Astronomy and Computing 10, 121) makes pupil, aberrations, seeing and
pixels. In short exposures the air adds defocus, astigmatism, coma, trefoil and spherical aberration
of its own to every frame (variances of Noll 1976, J. Opt. Soc. Am. 66, 207, averaged over some
dozens of coherence times; both from memory). Lenses focus their colours apart, filters hold other
glass, fields tilt and bend. Skies have gradients, nebula on all scales, cloud, satellites; cameras
vignetting, hot pixels, rows that differ, coarse converters, columns that bleed; the telescope
drifts; frames come as whole numbers, as floats from 0 to 1, compressed, some turned by 180 degrees.
"""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import galsim
import numpy as np
from astropy.io import fits
from scipy.ndimage import gaussian_filter1d

BANDS_NM = {
    "L": (420, 690), "R": (600, 690), "G": (500, 575), "B": (420, 500),
    "Ha": (653, 660), "OIII": (497, 504),
}  # fmt: skip
#: Light through each against L.
LIGHT = {"L": 1.0, "R": 0.35, "G": 0.35, "B": 0.3, "Ha": 0.1, "OIII": 0.1}
#: Of the air, rms waves for an aperture as wide as Fried's length.
AIR = {
    "defocus": 0.0242, "astig1": 0.0242, "astig2": 0.0242, "coma1": 0.0125, "coma2": 0.0125,
    "trefoil1": 0.0125, "trefoil2": 0.0125, "spher": 0.0079,
}  # fmt: skip
OWN = ("astig1", "astig2", "coma1", "coma2", "trefoil1", "spher")
STYLES = ("whole", "whole", "whole", "unit", "float", "compressed")
FINE, EXPOSURE_S = 3, 2.0
#: Share of frames that a meridian flip turns.
TURNED = 0.02


@dataclass(frozen=True)
class Optics:
    """Telescope and air; focus is counted in ``zone_um``, half the critical focus zone's width."""

    aperture_mm: float
    ratio: float
    obstruction: float
    vanes: int
    waves: dict[str, float]
    colour_zones: float
    field_um: np.ndarray
    """Tilt along x and y and curvature, at the edge of 20 mm."""
    pixel_um: float
    fwhm_arcsec: float

    @property
    def zone_um(self) -> float:
        """2 lambda N^2 of 550 nm."""
        return 2 * self.ratio**2 * 0.55

    @property
    def scale(self) -> float:
        """Seconds of arc to a pixel."""
        return 206.265 * self.pixel_um / (self.aperture_mm * self.ratio)

    def focus(self, nm: float) -> float:
        """Where a colour focuses, zones."""
        v = (550 / nm) ** 2 - 1
        return self.colour_zones * (6 * v**2 - 0.3 * v)

    def light(self, band: str, zones: float, air: dict[str, float], fwhm: float) -> Any:
        """One star's light before the pixels, through a filter without glass."""
        low, high = BANDS_NM[band]
        count = 9 if high - low > 150 else 5 if high - low > 50 else 1
        colours = low + (np.arange(count) + 0.5) * (high - low) / count
        each = [self._colour(nm, zones - self.focus(nm), air) for nm in colours]
        sky = galsim.Kolmogorov(fwhm=fwhm * (np.mean(colours) / 550) ** -0.2)
        return galsim.Convolve(galsim.Sum(each) / count, sky)

    def _colour(self, nm: float, zones: float, air: dict[str, float]) -> Any:
        waves = {name: self.waves.get(name, 0) + air.get(name, 0) for name in AIR}
        # Defocus of D waves at the edge is Noll's Z4 of D / (2 sqrt 3).
        edge = zones * self.zone_um / (8 * self.ratio**2 * 0.55)
        waves["defocus"] += edge / (2 * np.sqrt(3))
        return galsim.OpticalPSF(
            lam=nm, diam=self.aperture_mm / 1e3, obscuration=self.obstruction, nstruts=self.vanes,
            strut_thick=0.012, strut_angle=20 * galsim.degrees, oversampling=1.2, pad_factor=1.2,
            **{name: size * 550 / nm for name, size in waves.items()},
        )  # fmt: skip

    def best_zones(self, band: str) -> float:
        """Where the radius of half of the light is smallest in usual air."""
        about = self.focus(float(np.mean(BANDS_NM[band])))
        grid = about + np.arange(-9, 9.1, 1.5)
        middle = grid[np.argmin([self.radius_px(band, z) for z in grid])]
        near = np.linspace(-2.4, 2.4, 11)
        bend = np.polyfit(near, [self.radius_px(band, middle + z) for z in near], 6)
        fine = np.linspace(-2, 2, 4001)
        return float(middle + fine[np.argmin(np.polyval(bend, fine))])

    def radius_px(self, band: str, zones: float) -> float:
        """Radius of half of the light in usual air."""
        star = galsim.Convolve(
            self.light(band, zones, {}, self.fwhm_arcsec), galsim.Pixel(self.scale)
        )
        image = star.drawImage(nx=501, ny=501, scale=self.scale / 4, method="no_pixel").array
        away = np.hypot(*np.mgrid[-250:251, -250:251]).ravel()
        order = np.argsort(away, kind="stable")
        radii = np.arange(0, 250, 0.25)
        inside = np.interp(radii, away[order], np.cumsum(image.ravel()[order]))
        return float(np.interp(0.5, gaussian_filter1d(inside, 6), radii)) / 4


@dataclass(frozen=True)
class Camera:
    """Sensor and sky, in electrons and ADU."""

    shape: tuple[int, int]
    sky_e: np.ndarray
    sensitivity: np.ndarray
    hot_e: np.ndarray
    rows_adu: np.ndarray
    read_noise_e: float
    gain: float
    step_adu: int
    ceiling_adu: int
    bleeds: bool

    def read(self, light_e: np.ndarray, dim: float, rng: np.random.Generator) -> np.ndarray:
        """An image in ADU."""
        seen = (np.maximum(light_e, 0) + dim * self.sky_e) * self.sensitivity + self.hot_e
        adu = rng.poisson(seen) / self.gain + self.rows_adu + 600.0
        adu += rng.normal(0, self.read_noise_e / self.gain, self.shape)
        for column in np.unique(np.nonzero(adu > self.ceiling_adu)[1]) if self.bleeds else ():
            full = np.flatnonzero(adu[:, column] > self.ceiling_adu)
            over = int((adu[full, column] / self.ceiling_adu - 1).sum() * 0.4)
            adu[max(0, full.min() - over) : full.max() + over, column] = self.ceiling_adu
        return np.clip(np.rint(adu / self.step_adu) * self.step_adu, 0, self.ceiling_adu)


def draw_outside_night(folder: Path, number: int) -> dict[str, float]:
    """Write frames and ``setup.toml``; return where each filter focuses, steps, and ``zone``."""
    rng = np.random.default_rng([number, 777])
    optics = _optics(rng)
    names = [["L", "R", "G", "B", "Ha", "OIII"], ["L", "R", "G", "B"], ["R", "G", "B", "Ha"]][
        rng.choice(3, p=[0.45, 0.35, 0.2])
    ]
    glass = {name: rng.normal(0, 2.4) * (rng.random() < 0.6) for name in names}
    camera = _camera(rng)
    stars = _stars(rng, camera.shape)
    per_zone, count = rng.uniform(1.5, 12), int(rng.choice([7, 9, 11, 13]))
    spacing = _spacing(optics, rng.uniform(2.6, 4.2), count, per_zone)
    fried_mm = 0.98 * 0.55e-3 / (optics.fwhm_arcsec / 206265)
    air = (optics.aperture_mm / fried_mm) ** (5 / 6) / np.sqrt(rng.uniform(25, 100))
    per_degC = rng.normal(0, 0.36)
    cloud, satellites, drift = rng.random() < 0.25, rng.random() < 0.3, rng.normal(0, 1, 2)
    smear, style = rng.uniform(0.5, 2.5) * (rng.random() < 0.2), str(rng.choice(STYLES))
    start, clear, frames = int(rng.integers(2000, 30000)), 1.0, 0
    for sweep, name in enumerate([*names, names[0]]):
        for k in range(count):
            away = (k - count // 2) * spacing
            temperature = 12 - 0.12 * sweep - 0.01 * k
            zones = away / per_zone - glass[name] - per_degC * (temperature - 12)
            wobble = {a: rng.normal(0, air * size) for a, size in AIR.items()}
            fwhm = optics.fwhm_arcsec * np.exp(rng.normal(0, 0.07))
            moved = stars + np.append(drift * k + rng.normal(0, 0.5, 2), 0)
            clear = float(np.clip(clear * np.exp(rng.normal(0, 0.3)), 0.1, 1)) if cloud else 1.0
            dim = LIGHT[name]
            light = dim * clear * _field(optics, name, zones, wobble, fwhm, moved, camera.shape)
            if smear:
                light = gaussian_filter1d(light, smear * rng.uniform(0.5, 1), axis=1)
            if satellites and rng.random() < 0.3:
                light += _trail(camera.shape, rng)
            image = camera.read(light, dim, rng)
            image = image[::-1, ::-1] if rng.random() < TURNED else image
            cards = {
                "FILTER": name, "FOCUSPOS": start + away, "EXPTIME": EXPOSURE_S,
                "FOCTEMP": round(temperature, 2), "MJD-OBS": 61010.1 + frames * 1.4e-4,
                "XPIXSZ": optics.pixel_um, "IMAGETYP": "Light Frame",
            }  # fmt: skip
            _write(folder / f"u{frames:03d}.fits", image, cards, style)
            frames += 1
    best = {name: per_zone * (optics.best_zones(name) + glass[name]) for name in names}
    _write_setup(folder / "setup.toml", optics, per_zone)
    return {**best, "zone": per_zone}


def _optics(rng: np.random.Generator) -> Optics:
    mirror = rng.random() < 0.45
    return Optics(
        aperture_mm=rng.uniform(130, 300) if mirror else rng.uniform(60, 140),
        ratio=rng.uniform(3.5, 11) if mirror else rng.uniform(4.5, 9),
        obstruction=rng.uniform(0.2, 0.45) if mirror else 0.0,
        vanes=4 * int(mirror and rng.random() < 0.5),
        waves={name: rng.normal(0, 0.04) for name in OWN},
        colour_zones=0.0 if mirror else rng.normal(0, 2.4),
        field_um=rng.normal(0, 40, 3) * (rng.random() < 0.5),
        pixel_um=float(rng.choice([2.4, 3.76, 4.8, 5.4, 9.0])),
        fwhm_arcsec=rng.uniform(1.8, 4.2),
    )


def _spacing(optics: Optics, growth: float, count: int, per_zone: float) -> int:
    """Steps between frames, so that stars at the ends are so many times as large as in focus."""
    seeing_px = optics.fwhm_arcsec / optics.scale
    floor_px = np.hypot(0.57 * seeing_px, 0.53 * 0.55 * optics.ratio / optics.pixel_um)
    # A disc of defocus holds half of its light in 0.71 of its radius.
    half_um = growth * floor_px * optics.pixel_um * 2 * optics.ratio / 0.71
    return max(1, round(2 * half_um / (count - 1) / optics.zone_um * per_zone))


def _camera(rng: np.random.Generator) -> Camera:
    shape = [(600, 800), (420, 420), (1000, 1300)][rng.integers(3)]
    y, x = (np.mgrid[: shape[0], : shape[1]].T / shape - 0.5).T
    sky = np.exp(rng.uniform(np.log(50), np.log(6000)))
    sky = sky * (1 + rng.uniform(-0.5, 0.5) * (x + 0.5) + rng.uniform(-0.3, 0.3) * (y + 0.5))
    if rng.random() < 0.3:
        sky = sky * (1 + rng.uniform(0.2, 1.5) * _nebula(shape, rng))
    hot = np.zeros(shape)
    for _ in range(rng.integers(150)):
        hot[rng.integers(shape[0]), rng.integers(shape[1])] = rng.uniform(50, 20000)
    return Camera(
        shape=shape,
        sky_e=sky,
        sensitivity=(1 - rng.uniform(0, 0.8) * (x**2 + y**2)) * rng.normal(1, 0.005, shape),
        hot_e=hot,
        rows_adu=rng.normal(0, rng.uniform(0, 1.5), (shape[0], 1)) * (rng.random() < 0.3),
        read_noise_e=rng.uniform(1.5, 9),
        gain=rng.uniform(0.3, 2),
        step_adu=(step := int(rng.choice([1, 1, 4, 16]))),
        ceiling_adu=65536 - step,
        bleeds=bool(rng.random() < 0.2),
    )


def _nebula(shape: tuple[int, int], rng: np.random.Generator) -> np.ndarray:
    """Light that is lumpy on all scales, 0 to 1."""
    cycles = np.hypot(np.fft.fftfreq(shape[0])[:, None], np.fft.fftfreq(shape[1]))
    cycles[0, 0] = 1
    light = np.fft.ifft2(np.fft.fft2(rng.normal(size=shape)) * cycles**-1.6).real
    return (light - light.min()) / np.ptp(light)


def _stars(rng: np.random.Generator, shape: tuple[int, int]) -> np.ndarray:
    """(n, 3) x, y and electrons of a sub-frame with one to six or a field with up to 300."""
    few = rng.random() < 0.3
    n = int(rng.integers(1, 7)) if few else round(np.exp(rng.uniform(np.log(20), np.log(300))))
    x, y = (rng.uniform(40, side - 40, n) for side in reversed(shape))
    bright = 0.3 * np.exp(rng.uniform(np.log(1e4), np.log(3e5)))
    return np.stack([x, y, np.minimum(bright * (rng.pareto(1.1, n) + (5 if few else 1)), 4e6)], 1)


def _field(
    optics: Optics,
    band: str,
    zones: float,
    air: dict[str, float],
    fwhm: float,
    stars: np.ndarray,
    shape: tuple[int, int],
) -> np.ndarray:
    """All stars' electrons."""
    image = galsim.ImageF(shape[1], shape[0], scale=optics.scale, xmin=0, ymin=0)
    disc_px = 0.5 * abs(zones) * optics.zone_um / optics.ratio / optics.pixel_um
    half = int(np.clip(30 + 1.6 * disc_px + 8 * fwhm / optics.scale, 60, 190))
    drawn: dict[float, Any] = {}
    for x, y, electrons in stars:
        u, v = (np.array([x, y]) - np.array(shape[::-1]) / 2) * optics.pixel_um / 1e4
        away_um = float(optics.field_um @ [u, v, u * u + v * v])
        bent = round(4 * away_um / optics.zone_um) / 4
        if bent not in drawn:
            light = optics.light(band, zones + bent, air, 0.95 * fwhm)
            fine = light.drawImage(
                nx=2 * FINE * half, ny=2 * FINE * half, scale=optics.scale / FINE, method="no_pixel"
            )
            drawn[bent] = galsim.InterpolatedImage(fine, x_interpolant="quintic", flux=1)
        sides = [round(c) + d for c in (x, y) for d in (-half, half)]
        stamp = galsim.ImageF(galsim.BoundsI(*sides), scale=optics.scale)
        shared = stamp.bounds & image.bounds
        if shared.isDefined():
            one = drawn[bent].withFlux(electrons)
            one.drawImage(image=stamp, center=galsim.PositionD(x, y))
            image[shared] += stamp[shared]
    return np.array(image.array, float)


def _trail(shape: tuple[int, int], rng: np.random.Generator) -> np.ndarray:
    y, x = np.mgrid[: shape[0], : shape[1]]
    angle, start = rng.uniform(0, np.pi), rng.uniform(0, shape[1])
    away = (x - start) * np.sin(angle) - (y - shape[0] / 2) * np.cos(angle)
    return rng.uniform(20, 300) * np.exp(-(away**2) / 2 / rng.uniform(1.5, 4) ** 2)


def _write(path: Path, adu: np.ndarray, cards: dict[str, Any], style: str) -> None:
    header, whole = fits.Header(cards), np.ascontiguousarray(adu, dtype=np.uint16)
    if style == "compressed":
        fits.CompImageHDU(whole, header).writeto(path.with_suffix(".fits.fz"))
        return
    floats = {"unit": adu / 65535, "float": adu - 600}
    image = floats[style].astype(np.float32) if style in floats else whole
    fits.writeto(path, image, header)


def _write_setup(path: Path, optics: Optics, per_zone: float) -> None:
    tables = {
        "telescope": {
            "aperture_mm": optics.aperture_mm,
            "obstruction_mm": optics.aperture_mm * optics.obstruction,
            "focal_length_mm": optics.aperture_mm * optics.ratio,
        },
        "focuser": {"um_per_step": optics.zone_um / per_zone},
        "camera": {"pixel_um": optics.pixel_um},
    }
    lines = [
        f"[{name}]\n" + "".join(f"{key} = {json.dumps(value)}\n" for key, value in table.items())
        for name, table in tables.items()
    ]
    path.write_text("".join(lines), encoding="utf-8")
