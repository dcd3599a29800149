"""The page of a night."""

import math
from typing import Any

from ..night import NightResult
from .night_words import (
    CAUSE_WORDS,
    count_words,
    defocus_words,
    filter_words,
    frame_reason,
    night_headline,
    percent,
    rule_words,
    spans,
)
from .numbers import number_text, time_text
from .page import render
from .tints import filter_tint


def night_html(result: NightResult) -> str:
    """The night as one HTML page: styles and drawings inside, nothing fetched."""
    # The drawings load matplotlib: only someone who writes a page pays for it.
    from .figures.night import filter_sign, night_svg

    names = list(dict.fromkeys(e.filter for e in result.exposures))
    view = {
        "headline": night_headline(result),
        "meta": _meta(result),
        "counts": count_words([f.state for f in result.frames]),
        "limit": percent(result.limit),
        "strip": night_svg(result, name="night"),
        "narrow_strip": night_svg(result, name="night-narrow", width_px=430),
        "filters": [(name, filter_tint(name), filter_sign(name)) for name in names],
        "spans": spans(result),
        "offsets": [
            {"filter": one.filter, "tint": filter_tint(one.filter), "frames": one.frames,
             "off": one.agrees is False, "words": filter_words(result, one)}
            for one in result.offsets
        ],
        "rule": rule_words(result),
        "frames": [_frame(result, k) for k in range(len(result.frames))],
        "notices": result.notices,
        "unused": [(file.path.name, file.reason or "") for file in result.unused],
        "learnt": result.equipment.learnt,
        "field": result.equipment.field is not None,
    }  # fmt: skip
    return render("night.html", view)


def _meta(result: NightResult) -> str:
    times = [e.time_mjd for e in result.exposures if math.isfinite(e.time_mjd)]
    if not times:
        return f"{len(result.exposures)} exposures"
    first, last = time_text(min(times)), time_text(max(times))
    return f"{len(result.exposures)} exposures · {first[:10]} {first[11:16]} to {last[11:16]} UTC"


def _frame(result: NightResult, k: int) -> dict[str, Any]:
    one, frame = result.exposures[k], result.frames[k]
    return {
        "file": one.file,
        "time": time_text(one.time_mjd)[11:16],
        "filter": one.filter,
        "tint": filter_tint(one.filter),
        "hfr": number_text(one.hfr_px, sigma=one.hfr_sigma_px),
        "state": frame.state,
        "cause": CAUSE_WORDS[result.causes[k]],
        "chance": percent(frame.probability_lost),
        "growth": percent(frame.growth),
        "defocus": defocus_words(frame, result.equipment.zone_steps),
        "reason": frame_reason(result, k),
    }
