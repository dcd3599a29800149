"""The page of a night."""

import math

from markupsafe import Markup

from ..night import NightResult
from . import night_words
from .numbers import time_text
from .page import render


def night_html(result: NightResult) -> str:
    """The night as one HTML page: styles and drawings inside, nothing fetched."""
    # The drawings load matplotlib: only someone who writes a page pays for it.
    from .figures.night import filter_sign, night_svg

    names = dict.fromkeys(e.filter for e in result.exposures)
    widths = {"night": 980, "night-narrow": 430}
    drawn = [night_svg(result, name=name, width_px=px) for name, px in widths.items()]
    view = {
        "result": result,
        "night": night_words,
        "clock": lambda mjd: time_text(mjd)[11:16],
        "meta": _meta(result),
        "strips": [Markup(svg) for svg in drawn if svg],
        "signs": {name: filter_sign(name) for name in names},
        "spans": night_words.spans(result),
        "notices": result.notices,
    }
    return render("night.html", view)


def _meta(result: NightResult) -> str:
    times = [e.time_mjd for e in result.exposures if math.isfinite(e.time_mjd)]
    if not times:
        return f"{len(result.exposures)} exposures"
    first, last = time_text(min(times)), time_text(max(times))
    return f"{len(result.exposures)} exposures · {first[:10]} {first[11:16]} to {last[11:16]} UTC"
