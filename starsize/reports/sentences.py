"""The plain words that terminal and page share: moves, verdicts, what the frames left open."""

from collections.abc import Iterable, Sequence

from ..comparison.compared import Comparison, OffsetRow, Slip
from ..curves.fitted import CurveFit
from ..estimate import Estimate
from ..setup import Setup
from .numbers import estimate_text, known, move_number, number_text, signed_text, steps_text
from .result import RunResult

VERDICT_WORDS = {
    "good": "good",
    "asymmetric": "good, lopsided curve",
    "not_bracketed": "best focus not inside the sweep",
    "too_few_positions": "too few positions",
    "too_narrow": "too narrow",
    "not_repeatable": "does not repeat",
    "order_conflict": "order of time and positions disagree",
}
APPROACH_WORDS = {
    "inward": "moving in",
    "outward": "moving out",
    "mixed": "turned round",
    "unknown": "direction not known",
}
MODEL_WORDS = {
    "star": "star of wave optics under the night's seeing",
    "hyperbola": "hyperbola",
}
_BLAME_WORDS = {
    "telescope": "the telescope spreads the colours",
    "glass": "the glass of a filter is to blame",
    "both": "both the telescope and the glass of a filter are to blame",
    "unknown": "whether telescope or glass is to blame cannot be told",
    None: "whether telescope or glass is to blame was not examined",
}


def sentence(text: str) -> str:
    """Make a remark of an earlier layer a sentence: capital, full stop, the trade's own signs.

    >>> sentence("the change of +1.2 +- 0.3 steps is 5 um")
    'The change of +1.2 ± 0.3 steps is 5 µm.'
    """
    said = text.strip().replace("+-", "±").replace("degC", "°C")
    said = " ".join(
        f"µm{word[2:]}" if word.rstrip(".,;:)") == "um" else word for word in said.split(" ")
    )
    first = said.partition(" ")[0]
    # A lone letter may be a filter's name, whose case says which filter.
    if first.isalpha() and first.islower() and (len(first) > 2 or first in ("no", "it")):
        said = said[0].upper() + said[1:]
    return said if not said or said.endswith((".", "!", "?")) else f"{said}."


def direction(steps: float, setup: Setup) -> str:
    """``out`` (away from the telescope) or ``in`` for a move of so many steps; empty for none."""
    if steps == 0:
        return ""
    return "out" if (steps > 0) == (setup.focuser.outward == "increasing") else "in"


def move_text(steps: float | None, setup: Setup) -> str:
    """Sign and word of a move: ``+12 steps (out)``; ``0 steps`` for none."""
    count = known(steps)
    if count is None:
        return "not known"
    return f"{steps_text(count, signed=True)} ({direction(count, setup)})" if count else "0 steps"


def row_sentence(row: OffsetRow, setup: Setup) -> str:
    """What to do when changing from the reference to this filter, in one sentence."""
    if row.filter == row.reference:
        if row.status == "measured":
            return f"{row.filter} is the reference: all moves are counted from it."
        said = f"{row.filter}, the reference, could not be measured."
    else:
        said = f"From {row.reference} to {row.filter}{_to_do(row, setup)}."
    return f"{said} {sentence(row.reason)}".strip()


def _to_do(row: OffsetRow, setup: Setup) -> str:
    if row.status == "refused":
        return ": not measured, refocus there"
    if row.move_steps is None:
        return ": refocus there"
    way = direction(row.move_steps, setup)
    stay = "leave the focuser where it is"
    move = f"move {steps_text(abs(row.move_steps))} {way} ({row.move_steps:+d})"
    if row.action == "refocus":
        return f": refocus there, or {move if way else stay} as a start"
    if row.action == "ignore":
        return f", {move}, or leave it" if way else f", {stay}"
    return f", {move}" if way else ", no move is needed (0 steps)"


def grouped_reasons(rows: Iterable[OffsetRow]) -> list[tuple[str, str]]:
    """Reasons and the filters that share each: ("R and G", "the reason"), in order."""
    sharing: dict[str, list[str]] = {}
    for row in rows:
        if row.reason:
            sharing.setdefault(row.reason, []).append(row.filter)
    return [(listing(names), reason) for reason, names in sharing.items()]


def is_colour_camera(result: RunResult) -> bool:
    """Whether all that was measured are channels of one exposure, which share one focus."""
    return bool(result.measured) and all(m.filter != m.sweep.filter for m in result.measured)


def action_words(row: OffsetRow, *, channels: bool = False) -> str:
    """What to do with a filter's number, in a word or three; nothing with a colour's."""
    if row.status == "refused":
        return "refused"
    if row.filter == row.reference:
        return "reference"
    if channels:
        return ""
    if row.action != "ignore":
        return row.action
    grown = row.growth_if_ignored
    cost = f", costs {100 * max(grown.value, 0.0):.1f} %" if grown else ""
    return f"{'or ' if row.move_steps else ''}leave it{cost}"


def beside_number(row: OffsetRow, setup: Setup, *, channels: bool) -> str:
    """The way of a move and what to do with it: ``out``, ``in or leave it``."""
    words = action_words(row, channels=channels)
    way = direction(row.move_steps or 0, setup) if words not in ("refused", "reference") else ""
    if words in ("", "move"):
        return way
    return f"{way}, {words}".replace(", or", " or").removeprefix(", ") if way else words


def numbers_to_enter(result: RunResult) -> str:
    """The moves alone, to be copied: ``L 0, R +12``; empty where nothing is to be entered."""
    rows = [row for row in result.comparison.rows if row.move_steps is not None]
    if len(rows) < 2 or is_colour_camera(result):
        return ""
    return ", ".join(f"{row.filter} {move_number(row.move_steps)}" for row in rows)


def entering(result: RunResult) -> str:
    """The rule for these numbers, the same wherever they are shown."""
    words = {action_words(row) for row in result.comparison.rows}
    said = "Enter the moves as they stand, each counted from the reference."
    if any(word.startswith("or leave it") for word in words):
        said += (
            " Where it says 'or leave it', 0 would do: the change stays inside the zone. With the "
            "number, a focus found through any filter holds for all."
        )
    if "refocus" in words:
        said += " Where it says 'refocus', the number is only a start for focusing."
    return said


def from_reference(position: float | None, comparison: Comparison) -> float | None:
    """A position counted from best focus of the reference, in steps; None where not known."""
    at = known(position)
    rows = [row for row in comparison.rows if row.filter == comparison.reference]
    best = known(rows[0].best_focus_steps) if rows else None
    return None if at is None or best is None else at - best


def headline(result: RunResult) -> str:
    """The run in one line: how many filters (a colour camera's colours) are measured."""
    rows = result.comparison.rows
    things = "colours" if is_colour_camera(result) else "filters"
    measured = sum(row.status == "measured" for row in rows)
    if not rows:
        return "No filter was found in these files."
    if not measured:
        return f"None of the {things} could be measured from these frames."
    if len(rows) == 1:
        return f"One filter measured: {rows[0].filter}. Offsets need at least two."
    count = f"{measured} of {len(rows)}"
    if measured == len(rows):
        count = "Both" if len(rows) == 2 else f"All {len(rows)}"
    return f"{count} {things} measured, counted from {result.comparison.reference}."


def lead(result: RunResult) -> str:
    """All moves in one breath: from the reference to each filter; empty if there is none."""
    reference, setup = result.comparison.reference, result.setup
    others = [row for row in result.comparison.rows if row.filter != reference]
    if all(row.status == "refused" for row in others):
        return ""
    if is_colour_camera(result):
        where = _where(result, result.comparison.colour.compromise_steps)
        return f"One exposure holds all colours, so focus once for all{where}."
    moves: list[str] = []
    stay, again = [], []
    for row in others:
        if row.status == "refused" or row.action == "refocus" or row.move_steps is None:
            again.append(row.filter)
        elif "leave it" in action_words(row):
            stay.append(row.filter)
        else:
            way, size = direction(row.move_steps, setup), abs(row.move_steps)
            start = f"to {row.filter}, {size}"
            if not moves:
                start = f"From {reference} to {row.filter}, move {steps_text(size)}"
            moves.append(f"{start} {way}")
    sentences = []
    if moves:
        sentences.append("; ".join(moves) + ".")
    if stay:
        sentences.append(f"At {listing(stay)}, the focuser may stay where {reference} has it.")
    if again:
        sentences.append(f"At {listing(again)}, refocus: not known well enough to move blindly.")
    return " ".join(sentences)


def listing(names: Sequence[str]) -> str:
    """Names in a row: ``R``, ``R and G``, ``R, G and B``."""
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"


def colour_headline(result: RunResult) -> str:
    """The verdict on colour in one line or two."""
    colour, rows = result.comparison.colour, result.comparison.rows
    reference, channels = result.comparison.reference, is_colour_camera(result)
    if colour.verdict == "together":
        doubtful = [row.filter for row in rows if action_words(row) == "refocus"]
        if doubtful and not channels:
            # That there is such a position can be sure while where it lies is not.
            return (
                "One focus position would serve all colours, but these frames do not place it "
                f"well enough: until they do, refocus at {listing(doubtful)}."
            )
        where = _where(result, colour.compromise_steps)
        return f"One focus position serves all colours{where}."
    if colour.verdict == "cannot tell":
        stay = [row.action == "ignore" for row in rows if row.filter != reference]
        if stay and all(stay) and not channels:
            return (
                f"Each filter by itself may stay at the focus of {reference}; "
                "whether one position serves all at once is too close to call."
            )
        return "These frames cannot tell whether one focus position serves all colours."
    return f"No single focus position serves all colours: {_BLAME_WORDS[colour.cause]}."


def without_sentence(result: RunResult) -> str:
    """What the others would do without the odd ones; empty where none stands out."""
    colour = result.comparison.colour
    if not colour.without or known(colour.without_steps) is None:
        return ""
    inside = result.comparison.reference not in colour.without
    where = _where(result, colour.without_steps) if inside else ""
    return f"Without {listing(colour.without)} one focus position serves all others{where}."


def _where(result: RunResult, position: float | None) -> str:
    """``, 3 steps out from G`` or ``, that of G``; empty where the position is not known."""
    move, reference = from_reference(position, result.comparison), result.comparison.reference
    if move is None:
        return ""
    steps = round(move)
    if steps == 0:
        return f", that of {reference}"
    return f", {steps_text(abs(steps))} {direction(steps, result.setup)} from {reference}"


def glass_text(extra_mm: Estimate) -> str:
    """Extra glass as words: ``0.82 ± 0.20 mm less glass``."""
    word = "less" if extra_mm.value < 0 else "more"
    return f"{estimate_text(Estimate(abs(extra_mm.value), extra_mm.sigma))} mm {word} glass"


def bound_sentence(fit: CurveFit) -> str:
    """What a sweep without an answer still knows, or empty."""
    low, high = map(number_text, fit.bound_steps)
    if fit.answered or not (low or high):
        return ""
    if low and high:
        return f"Best focus lies between {low} and {high} steps."
    return f"Best focus lies {f'above {low}' if low else f'below {high}'} steps."


def slip_sentence(slip: Slip) -> str:
    """Between which sweeps the focuser slipped, and by how much."""
    size = estimate_text(slip.steps, signed=True)
    return f"between {slip.after_sweep} and {slip.before_sweep}, by {size} steps"


def refocus_text(comparison: Comparison) -> str:
    """When to refocus as the temperature changes: for the reference, and where it is sooner."""
    changes = comparison.temperature.refocus_degC
    if comparison.reference not in changes:
        return ""
    usual = changes[comparison.reference].value
    sooner = [f"{n} every {e.value:.1f}" for n, e in changes.items() if e.value < 0.95 * usual]
    return "; ".join([f"Refocus or compensate every {usual:.1f} °C", *sooner]) + "."


def sweep_line(result: RunResult, sweep_id: str, *, to_come: Sequence[str] = ()) -> str:
    """Say of one sweep whether it is good, else what to repeat; and what is known so far.

    ``result`` is of all sweeps so far, ``to_come`` are filters of the sweeps still planned.
    """
    pairs = zip(result.measured, result.curves.fits, strict=True)
    fits = [fit for one, fit in pairs if one.sweep.id == sweep_id]
    said = [_answer(sweep_id, fit, several=len(fits) > 1) for fit in fits]
    offsets = [
        f"{row.filter} {offset}"
        for row in result.comparison.rows
        if (offset := signed_text(row.offset_steps, row.offset_sigma_steps))
        and row.filter != row.reference
    ]
    if offsets:
        said.append(f"Offsets so far: {', '.join(offsets)} from {result.comparison.reference}.")
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
