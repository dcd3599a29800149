"""Optics that are not round: scalar diffraction in two dimensions, pupil to transfer function."""

from dataclasses import dataclass

import numpy as np
from scipy.fft import fft2, next_fast_len, rfft2


@dataclass(frozen=True, slots=True, kw_only=True)
class Pupil:
    """What makes a telescope's pupil differ from an even disc or annulus.

    Attributes
    ----------
    astigmatism, coma, trefoil : float
        Amplitudes, in waves of 550 nm at the edge, of the wave errors rho^2 cos 2t,
        (3 rho^3 - 2 rho) cos t and rho^3 cos 3t (Zernike's, unnormalised). A pinched mirror has
        trefoil and astigmatism.
    astigmatism_deg, coma_deg, trefoil_deg : float
        Their directions.
    corner_astigmatism, corner_coma : float
        The same at the corners of the sensor, along the line to its middle; the first grows with
        the square of the distance, the second with the distance.
    shadow_x, shadow_y : float
        Place of the central obstruction, in radii of the pupil.
    vanes : int
        Number of vanes that hold the obstruction.
    vane_width, vane_deg : float
        Width over the diameter of the pupil, and direction of the first.
    """

    astigmatism: float = 0.0
    astigmatism_deg: float = 0.0
    coma: float = 0.0
    coma_deg: float = 0.0
    trefoil: float = 0.0
    trefoil_deg: float = 0.0
    corner_astigmatism: float = 0.0
    corner_coma: float = 0.0
    shadow_x: float = 0.0
    shadow_y: float = 0.0
    vanes: int = 0
    vane_width: float = 0.01
    vane_deg: float = 0.0

    @property
    def varies(self) -> bool:
        """Whether the wave error depends on the place in the field."""
        return self.corner_astigmatism != 0 or self.corner_coma != 0

    @property
    def steepest_waves(self) -> float:
        """How steep the wave error gets in waves per radius, but for the tip of coma's tail."""
        return (
            2 * (abs(self.astigmatism) + 1.5 * abs(self.corner_astigmatism))
            + 4 * (abs(self.coma) + 1.2 * abs(self.corner_coma))
            + 3 * abs(self.trefoil)
        )

    def wave_um(self, z: np.ndarray, place: tuple[float, float]) -> np.ndarray:
        """Wave error at ``z`` = x + i y (radii) for a star at ``place`` (-1 to 1)."""
        across = complex(*place).conjugate()
        second = self.astigmatism * _turned(2, self.astigmatism_deg)
        second += self.corner_astigmatism * across**2 / 2
        first = self.coma * _turned(1, self.coma_deg) + self.corner_coma * across / np.sqrt(2)
        third = self.trefoil * _turned(3, self.trefoil_deg)
        waves = z * (second * z + first * (3 * np.abs(z) ** 2 - 2) + third * z * z)
        return 0.55 * np.real(waves)

    def amplitude(self, z: np.ndarray, obstruction: float, grain: float) -> np.ndarray:
        """Share of each grid cell of width ``grain`` that lets light through."""
        open_ = _inside(1 - np.abs(z), grain)
        shadow = z - complex(self.shadow_x, self.shadow_y)
        if obstruction > 0:
            open_ *= 1 - _inside(obstruction - np.abs(shadow), grain)
        for k in range(self.vanes):
            along = shadow * _turned(1, self.vane_deg + 360 * k / self.vanes)
            side, far = np.abs(along.imag), self.vane_width
            beside = np.minimum(side + grain / 2, far) - np.maximum(side - grain / 2, -far)
            open_ *= 1 - np.where(along.real > 0, np.maximum(beside, 0) / grain, 0)
        return open_


def plane_transfer(
    pupil: Pupil,
    *,
    field_um: float,
    wavelength_nm: float,
    focal_ratio: float,
    obstruction: float,
    defocus_um: float,
    spherical_um: float,
    place: tuple[float, float] = (0.0, 0.0),
) -> np.ndarray:
    """Transfer function of one colour about the centroid of its light.

    The light is |Fourier transform of pupil|^2, on a square of side ``field_um``; what strays
    further re-enters on the other side. Defocus and spherical aberration as in `wave_transfer`.

    Returns
    -------
    (n, m) complex64 array
        Frequencies k / ``field_um``: rows k = 0, 1, ..., -1 as an FFT orders them, columns k >= 0.
    """
    wave_length = wavelength_nm * 1e-3
    across = field_um / (wave_length * focal_ratio)  # samples over the pupil's diameter
    half = int(np.ceil(across / 2)) + 1
    x = np.arange(-half, half + 1) * (2 / across)
    z = x + 1j * x[:, None]
    square = np.abs(z) ** 2
    wave = (defocus_um * square + spherical_um * square**2 / 2) / (8 * focal_ratio**2)
    wave += pupil.wave_um(z, place)
    light = pupil.amplitude(z, obstruction, 2 / across)
    # The light's centroid lies at the mean slope of the wave: take that slope out.
    down, right = (np.average(slope, weights=light**2) for slope in np.gradient(wave))
    steps = np.arange(-half, half + 1)
    wave -= right * steps + down * steps[:, None]
    size = next_fast_len(4 * half + 2)
    field = (light * np.exp(2j * np.pi / wave_length * wave)).astype(np.complex64)
    image = np.abs(fft2(field, s=(size, size))) ** 2
    transfer = np.asarray(rfft2(image) / (size**2 * np.sum(light)))
    # Cells cut by an edge blur it, and the faint halo loses light: it counts, spread evenly.
    transfer[0, 0] = 1.0
    return transfer


def _turned(order: int, angle_deg: float) -> complex:
    return complex(np.exp(-1j * order * np.deg2rad(angle_deg)))


def _inside(depth: np.ndarray, grain: float) -> np.ndarray:
    """1 inside an edge, 0 outside, the share of the cell on it."""
    return np.clip(depth / grain + 0.5, 0, 1)
