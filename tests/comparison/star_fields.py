"""Stars of a tilted and bowl-shaped field through sweeps, as the comparison takes them."""

from dataclasses import fields

import numpy as np

from starsize.comparison.field import FieldSweep, Frame
from starsize.simulate.field_points import FieldDraw, FieldPlan, draw_field

USUAL = FieldPlan()
FRAME = Frame(width_px=USUAL.width_px, height_px=USUAL.height_px, pixel_um=3.8)
UM_PER_STEP = USUAL.um_per_step


def drawn_sweep(rng, *, name="L", **plan) -> FieldSweep:
    """One sweep of a ``FieldPlan``; which star is which is not known."""
    drawn = draw_field(FieldPlan(**plan), rng)
    columns = {f.name: getattr(drawn, f.name) for f in fields(FieldDraw)}
    star = np.full(drawn.x_px.size, -1)
    return FieldSweep(id=f"{name}-1", filter=name, star=star, **columns)
