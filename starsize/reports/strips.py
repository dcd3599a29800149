"""One real star through each sweep, for the page: small pictures, and what stands under them."""

import base64
import io
from typing import Any

import numpy as np
from PIL import Image

from ..curves.fitted import CurveFit
from ..tracking.filmstrip import Filmstrip
from ..tracking.measured import MeasuredSweep
from .numbers import known, number_text, short_number
from .result import RunResult
from .tables import left_out_letters

#: Larger pictures are drawn smaller by whole factors.
_LARGEST_PX = 96
#: The brightest pixel over that where brightness begins to count by its logarithm.
_SOFT = 50.0


def strips_of(result: RunResult) -> list[dict[str, Any]]:
    """For each sweep that has one its star through the positions, in order of position."""
    rows = zip(result.measured, result.curves.fits, result.strips, strict=False)
    return [_strip(one, fit, film) for one, fit, film in rows if film is not None]


def _strip(one: MeasuredSweep, fit: CurveFit, film: Filmstrip) -> dict[str, Any]:
    ceiling = float(max((np.nanmax(p) for p in film.pictures if p is not None), default=1.0))
    position = np.array([known(f.facts.position_steps) or np.nan for f in one.frames])
    of_curve = iter(left_out_letters(fit))
    # A frame without a radius is no point of the curve.
    letters = [next(of_curve) if known(f.radius_px) is not None else "–" for f in one.frames]
    best = int(np.nanargmin(np.abs(position - fit.best_steps))) if fit.answered else -1
    stills = []
    for i in np.argsort(position, kind="stable"):
        picture = film.pictures[i]
        still = {
            "picture": "" if picture is None else _data_uri(picture, ceiling),
            "position": number_text(position[i], digits=9),
            "hfr": short_number(one.frames[i].radius_px),
            "is_best": i == best,
            "letter": letters[i],
        }
        stills.append(still)
    place = f"x {film.x_px:.0f}, y {film.y_px:.0f}"
    return {"sweep": fit.curve.id, "filter": fit.curve.filter, "place": place, "stills": stills}


def _data_uri(picture: np.ndarray, ceiling: float) -> str:
    """A small PNG, brightness by its inverse hyperbolic sine: core and ring both show."""
    factor = -(-picture.shape[0] // _LARGEST_PX)
    side = picture.shape[0] // factor * factor
    cells = picture[:side, :side].reshape(side // factor, factor, side // factor, factor)
    light = np.clip(np.nan_to_num(cells).mean(axis=(1, 3)) / ceiling, 0, 1)
    shade = np.arcsinh(_SOFT * light) / np.arcsinh(_SOFT)
    out = io.BytesIO()
    Image.fromarray(np.round(255 * shade).astype(np.uint8)).save(out, "PNG", optimize=True)
    return f"data:image/png;base64,{base64.b64encode(out.getvalue()).decode()}"
