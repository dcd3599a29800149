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


def sentence(text: str) -> str:
    """Make a remark of an earlier layer a sentence: capital, full stop, the trade's own signs.

    Examples
    --------
    >>> sentence("the change of +1.2 +- 0.3 steps is 5 um")
    'The change of +1.2 ± 0.3 steps is 5 µm.'
    >>> sentence("i and z focus 3 steps apart")
    'i and z focus 3 steps apart.'
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
    outward = (steps > 0) == (setup.focuser.outward == "increasing")
    return "out" if outward else "in"


def move_text(steps: float | None, setup: Setup) -> str:
    """Sign and word of a move: ``+12 steps (out)``; ``0 steps`` for none."""
    count = known(steps)
    if count is None:
        return "not known"
    if count == 0:
        return "0 steps"
    return f"{steps_text(count, signed=True)} ({direction(count, setup)})"


def row_sentence(row: OffsetRow, setup: Setup) -> str:
    """What to do when changing from the reference to this filter, in one sentence."""
    if row.filter == row.reference:
        if row.status == "measured":
            return f"{row.filter} is the reference: all moves are counted from it."
        return f"{row.filter}, the reference, could not be measured. {sentence(row.reason)}".strip()
    change = f"From {row.reference} to {row.filter}"
    if row.status == "refused":
        return f"{change}: not measured, refocus there. {sentence(row.reason)}".strip()
    if row.move_steps is None:
        return f"{change}: refocus there. {sentence(row.reason)}".strip()
    words = steps_text(abs(row.move_steps))
    way = direction(row.move_steps, setup)
    move = f"move {words} {way} ({row.move_steps:+d})" if way else "no move is needed (0 steps)"
    if row.action == "ignore":
        move = f"{move}, or leave it" if way else "leave the focuser where it is"
    if row.action != "refocus":
        return f"{change}, {move}. {sentence(row.reason)}".strip()
    start = f"or {move} as a start" if way else "or leave the focuser where it is as a start"
    return f"{change}: refocus there, {start}. {sentence(row.reason)}".strip()


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
    if row.action == "refocus":
        return "refocus"
    if row.action == "move":
        return "move"
    grown = row.growth_if_ignored
    cost = f", costs {100 * max(grown.value, 0.0):.1f} %" if grown else ""
    return f"leave it{cost}" if not row.move_steps else f"or leave it{cost}"


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


def common_move(comparison: Comparison) -> float | None:
    """The position that serves all colours best, counted from the reference, in steps."""
    return _from_reference(comparison.colour.compromise_steps, comparison)


def _from_reference(position: float | None, comparison: Comparison) -> float | None:
    """A position counted from best focus of the reference."""
    at = known(position)
    rows = [row for row in comparison.rows if row.filter == comparison.reference]
    best = known(rows[0].best_focus_steps) if rows else None
    return None if at is None or best is None else at - best


def headline(result: RunResult) -> str:
    """The run in one line: how many filters (a colour camera's colours) are measured."""
    rows = result.comparison.rows
    things = "colours" if is_colour_camera(result) else "filters"
    measured = [row for row in rows if row.status == "measured"]
    if not rows:
        return "No filter was found in these files."
    if not measured:
        return f"None of the {things} could be measured from these frames."
    if len(rows) == 1:
        return f"One filter measured: {rows[0].filter}. Offsets need at least two."
    if len(measured) == len(rows):
        all_of_them = "Both" if len(rows) == 2 else f"All {len(rows)}"
        return f"{all_of_them} {things} measured, counted from {result.comparison.reference}."
    return (
        f"{len(measured)} of {len(rows)} {things} measured, "
        f"counted from {result.comparison.reference}."
    )


def lead(result: RunResult) -> str:
    """All moves in one breath: from the reference to each filter; empty if there is none."""
    reference, setup = result.comparison.reference, result.setup
    others = [row for row in result.comparison.rows if row.filter != reference]
    if all(row.status == "refused" for row in others):
        return ""
    if is_colour_camera(result):
        where = _where(result, result.comparison.colour.compromise_steps)
        return f"One exposure holds all colours, so focus once for all{where}."
    moves, stay, again = [], [], []
    for row in others:
        if row.status == "refused" or row.action == "refocus" or row.move_steps is None:
            again.append(row.filter)
        elif "leave it" in action_words(row):
            stay.append(row.filter)
        else:
            moves.append((row.filter, row.move_steps))
    sentences = []
    if moves:
        (first, steps), *rest = moves
        parts = [
            f"From {reference} to {first}, move {steps_text(abs(steps))} {direction(steps, setup)}"
        ]
        parts += [f"to {name}, {abs(count)} {direction(count, setup)}" for name, count in rest]
        sentences.append("; ".join(parts) + ".")
    if stay:
        sentences.append(f"At {listing(stay)}, the focuser may stay where {reference} has it.")
    if again:
        sentences.append(f"At {listing(again)}, refocus: not known well enough to move blindly.")
    return " ".join(sentences)


def listing(names: list[str]) -> str:
    """Names in a row: ``R``, ``R and G``, ``R, G and B``."""
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"


def colour_headline(result: RunResult) -> str:
    """The verdict on colour in one line or two."""
    colour, rows = result.comparison.colour, result.comparison.rows
    if colour.verdict == "together":
        doubtful = [row.filter for row in rows if action_words(row) == "refocus"]
        if doubtful and not is_colour_camera(result):
            # That there is such a position can be sure while where it lies is not.
            return (
                "One focus position would serve all colours, but these frames do not place it "
                f"well enough: until they do, refocus at {listing(doubtful)}."
            )
        where = _where(result, colour.compromise_steps)
        return f"One focus position serves all colours{where}."
    if colour.verdict == "cannot tell":
        stay = [row for row in rows if row.filter != result.comparison.reference]
        if stay and all(row.action == "ignore" for row in stay) and not is_colour_camera(result):
            return (
                f"Each filter by itself may stay at the focus of {result.comparison.reference}; "
                "whether one position serves all at once is too close to call."
            )
        return "These frames cannot tell whether one focus position serves all colours."
    blame = {
        "telescope": "the telescope spreads the colours",
        "glass": "the glass of a filter is to blame",
        "both": "both the telescope and the glass of a filter are to blame",
        "unknown": "whether telescope or glass is to blame cannot be told",
        None: "whether telescope or glass is to blame was not examined",
    }[colour.cause]
    return f"No single focus position serves all colours: {blame}."


def without_sentence(result: RunResult) -> str:
    """What the others would do without the odd ones; empty where none stands out."""
    colour, comparison = result.comparison.colour, result.comparison
    if not colour.without or known(colour.without_steps) is None:
        return ""
    others, inside = listing(list(colour.without)), comparison.reference not in colour.without
    where = _where(result, colour.without_steps) if inside else ""
    return f"Without {others} one focus position serves all others{where}."


def _where(result: RunResult, position: float | None) -> str:
    """Where a position lies, counted from the reference; empty where it is not known."""
    move, reference = _from_reference(position, result.comparison), result.comparison.reference
    return "" if move is None else f", {_from(round(move), reference, result.setup)}"


def _from(steps: int, reference: str, setup: Setup) -> str:
    """``3 steps out from G``, or ``that of G``."""
    way = direction(steps, setup)
    return f"{steps_text(abs(steps))} {way} from {reference}" if way else f"that of {reference}"


def glass_text(extra_mm: Estimate) -> str:
    """Extra glass as words: ``0.82 ± 0.20 mm less glass``."""
    word = "less" if extra_mm.value < 0 else "more"
    return f"{estimate_text(Estimate(abs(extra_mm.value), extra_mm.sigma))} mm {word} glass"


def bound_sentence(fit: CurveFit) -> str:
    """What a sweep without an answer still knows, or empty."""
    low, high = (known(end) for end in fit.bound_steps)
    if fit.answered or (low is None and high is None):
        return ""
    if low is None:
        return f"Best focus lies below {number_text(high)} steps."
    if high is None:
        return f"Best focus lies above {number_text(low)} steps."
    return f"Best focus lies between {number_text(low)} and {number_text(high)} steps."


def slip_sentence(slip: Slip) -> str:
    """Between which sweeps the focuser slipped, and by how much."""
    return (
        f"between {slip.after_sweep} and {slip.before_sweep}, by "
        f"{estimate_text(slip.steps, signed=True)} steps"
    )


def refocus_text(comparison: Comparison) -> str:
    """When to refocus as the temperature changes: for the reference, and where it is sooner."""
    changes = comparison.temperature.refocus_degC
    if comparison.reference not in changes:
        return ""
    usual = changes[comparison.reference].value
    sooner = {n: e.value for n, e in changes.items() if e.value < 0.95 * usual}
    text = f"Refocus or compensate every {usual:.1f} °C"
    return "; ".join([text, *(f"{name} every {value:.1f}" for name, value in sooner.items())]) + "."


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
