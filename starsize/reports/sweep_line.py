"""One line a sweep, for whoever stands at the telescope: is it good, how sure are the offsets."""

from collections.abc import Sequence

from ..curves.fitted import CurveFit
from ..estimate import Estimate
from .numbers import estimate_text, signed_text
from .result import RunResult
from .sentences import sentence


def sweep_line(result: RunResult, sweep_id: str, *, to_come: Sequence[str] = ()) -> str:
    """Say of one sweep whether it is good, else what to repeat; and what is known so far.

    ``result`` is of all sweeps so far, ``to_come`` are filters of the sweeps still planned.
    """
    fits = [
        fit
        for one, fit in zip(result.measured, result.curves.fits, strict=True)
        if one.sweep.id == sweep_id
    ]
    said = [_answer(sweep_id, fit, several=len(fits) > 1) for fit in fits]
    if so_far := _offsets(result):
        said.append(f"Offsets so far: {so_far}.")
    if to_come:
        said.append(f"Still to come: {', '.join(to_come)}.")
    return " ".join(said)


def _answer(sweep_id: str, fit: CurveFit, *, several: bool) -> str:
    name = f"{sweep_id} {fit.curve.filter}" if several else sweep_id
    if not fit.answered:
        return f"{name}: REPEAT IT NOW. {sentence(fit.reason)}"
    best = estimate_text(Estimate(fit.best_steps, fit.best_sigma_steps))
    poor = sum(reason is not None for reason in fit.frame_reasons)
    doubt = f", {poor} of {len(fit.frame_reasons)} frames left out or weighed down" if poor else ""
    return f"{name}: good, best focus {best}{doubt}."


def _offsets(result: RunResult) -> str:
    parts = []
    for row in result.comparison.rows:
        offset = signed_text(row.offset_steps, row.offset_sigma_steps)
        if row.filter != row.reference and offset:
            parts.append(f"{row.filter} {offset}")
    return ", ".join(parts) and f"{', '.join(parts)} from {result.comparison.reference}"
