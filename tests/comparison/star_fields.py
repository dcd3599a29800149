"""Stars of a tilted and bowl-shaped field through sweeps, drawn as radii, not as pixels."""

import numpy as np

from starsize.comparison.field import FieldSweep, Frame

#: 16 megapixels of 3.8 um.
FRAME = Frame(width_px=4656.0, height_px=3520.0, pixel_um=3.8)
UM_PER_STEP = 4.0


def drawn_sweep(
    rng, *, tilt_um=(0.0, 0.0), bowl_um=0.0, stars=200, name="L", positions=11, **options
) -> FieldSweep:
    """One sweep whose stars focus where a tilted, bowl-shaped field has them.

    ``own_um`` is what stars differ by beyond the field, ``half`` keeps them to the right half,
    ``noise`` is that of one radius; seeing scatters all stars of a frame by a tenth of the floor.
    """
    x = rng.uniform(0, FRAME.width_px, stars)
    y = rng.uniform(0, FRAME.height_px, stars)
    if options.get("half"):
        x = FRAME.width_px / 2 * (1 + x / FRAME.width_px)
    u, v = 2 * x / FRAME.width_px - 1, 2 * y / FRAME.height_px - 1
    corner = np.hypot(FRAME.width_px, FRAME.height_px) / 2
    w = ((x - FRAME.width_px / 2) ** 2 + (y - FRAME.height_px / 2) ** 2) / corner**2
    shift = (tilt_um[0] * u + tilt_um[1] * v + bowl_um * w) / UM_PER_STEP
    own = rng.normal(0, options.get("own_um", 0.0) / UM_PER_STEP, stars)
    position = 10_000 + 30.0 * np.linspace(-5, 5, positions)
    floor, slope, noise = 2.0, 0.05, options.get("noise", 0.03)
    floors = floor * (1 + 0.1 * rng.standard_normal(positions))
    size = 1 + 0.05 * rng.standard_normal(stars)
    true = np.hypot(floors, slope * (position - 10_000 - (shift + own)[:, None])) * size[:, None]
    sigma = noise * true * rng.uniform(0.5, 2, stars)[:, None]
    radius = true + sigma * rng.standard_normal(true.shape)
    # The frame's radius is that of its stars; squares of a hyperbola's have their mean focus.
    frame = np.sqrt(np.mean((radius / size[:, None]) ** 2, axis=0))
    middle = 10_000 + float(np.mean(shift + own))
    along = np.linspace(position[0] - 100, position[-1] + 100, 400)
    return FieldSweep(
        id=f"{name}-1",
        filter=name,
        x_px=x,
        y_px=y,
        star=np.full(stars, -1),
        radius_px=radius,
        radius_sigma_px=sigma,
        position_steps=position,
        frame_px=frame,
        curve_steps=along,
        curve_px=np.hypot(floor, slope * (along - middle)),
    )
