"""Results put into words: templates filled, findings as sentences, and what templates ask for."""

import dataclasses
import math
import sys
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from functools import cache, wraps
from importlib.resources import files
from importlib.util import cache_from_source
from itertools import groupby
from pathlib import Path
from typing import Any, Final, NamedTuple, ParamSpec, TypeVar

from jinja2 import Environment, FileSystemBytecodeCache, PackageLoader, StrictUndefined
from jinja2.bccache import Bucket
from markupsafe import Markup

from .. import __version__
from ..comparison.compared import Comparison, OffsetRow
from ..errors import printable
from ..estimate import Estimate, Finding, Notice
from ..filters import BANDS
from ..night import NightResult
from ..setup import Setup
from . import numbers
from .numbers import known
from .result import RunResult

_Thing = TypeVar("_Thing")
_P = ParamSpec("_P")
_TEMPLATES: Final = files("starsize.reports").joinpath("templates")
#: Where Python keeps the code of modules that lie there.
_KEPT: Final = str(Path(cache_from_source(str(_TEMPLATES / "any.py"))).parent)


def render(template: str, view: dict[str, Any]) -> str:
    """Fill a template: in a page what is not ours is escaped, in a text kept to its line."""
    made = environment(is_text=template.endswith(".txt"))
    return made.get_template(template).render(**view)


@cache
def macros(template: str) -> Any:
    """The macros of a text, which make a sentence each."""
    return environment(is_text=True).get_template(template).module


class Compiled(FileSystemBytecodeCache):
    """Templates as code, kept in a folder; where nobody may write, compiled each time."""

    def load_bytecode(self, bucket: Bucket) -> None:
        """Take one that was kept."""
        with suppress(OSError):
            super().load_bytecode(bucket)

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keep one."""
        with suppress(OSError):
            Path(self.directory).mkdir(parents=True, exist_ok=True)
            super().dump_bytecode(bucket)


@cache
def environment(*, is_text: bool) -> Environment:
    """Where templates are found, and the filters and words that they have."""
    # The code of a page escapes, that of a text does not.
    name = f"{__version__}_{'text' if is_text else 'page'}_%s.cache"
    made = Environment(
        loader=PackageLoader("starsize.reports"),
        autoescape=not is_text,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=_on_its_line if is_text else None,
        bytecode_cache=None if sys.dont_write_bytecode else Compiled(_KEPT, name),
    )
    made.filters |= {
        "about": _about,
        "action": action_words,
        "clock": numbers.clock_text,
        "duration": numbers.duration_text,
        "estimate": numbers.estimate_text,
        "fixed": lambda value, decimals=0: f"{value:.{decimals}f}",
        "known": known,
        "micrometres": numbers.micrometres,
        "move": numbers.move_number,
        "number": numbers.number_text,
        "percent": numbers.percent,
        # No line ends between a number and its per cent sign.
        "sentence": lambda text: sentence(text).replace(" %", "\N{NO-BREAK SPACE}%"),
        "short": numbers.short_number,
        "signed": numbers.signed_text,
        "steps": numbers.steps_text,
        "time": numbers.time_text,
        "tint": filter_tint,
        "whole": round,
        "with_sign": numbers.with_sign,
    }
    style = Markup(_TEMPLATES.joinpath("style.css").read_text("utf-8"))
    words = sys.modules[__name__]
    made.globals |= {"Estimate": Estimate, "known": known, "style": style, "words": words}
    return made


def _on_its_line(value: object) -> object:
    return printable(value) if isinstance(value, str) else value


def _about(steps: float) -> int:
    """Two significant digits, 120 for 123.4: advice, not a measurement."""
    digits = 10 ** max(math.floor(math.log10(max(steps, 1))) - 1, 0)
    return round(steps / digits) * digits


def worded(thing: _Thing) -> _Thing:
    """The same result with every finding in it replaced by its sentence.

    It may be a finding, or a tuple or a frozen dataclass that holds some, however deep.
    """
    found: Any = thing
    if isinstance(found, Finding):
        say, facts = vars(macros("findings.txt"))[str(found)], found.facts
        return say(**{name: worded(facts[name]) for name in say.arguments if name in facts})
    if isinstance(found, tuple):
        parts = [worded(part) for part in found]
        same = all(new is old for new, old in zip(parts, found, strict=True))
        return thing if same else tuple(parts)  # type: ignore[return-value]
    if dataclasses.is_dataclass(found) and not isinstance(found, type):
        fields = {f.name: getattr(found, f.name) for f in dataclasses.fields(found)}
        new = {name: worded(value) for name, value in fields.items()}
        changed = {name: value for name, value in new.items() if value is not fields[name]}
        return dataclasses.replace(found, **changed) if changed else thing  # type: ignore[return-value]
    return thing


def in_words(function: Callable[_P, _Thing]) -> Callable[_P, _Thing]:
    """The same function, its result put into words."""

    @wraps(function)
    def call(*args: _P.args, **kwargs: _P.kwargs) -> _Thing:
        return worded(function(*args, **kwargs))

    return call


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


def listing(names: Sequence[str]) -> str:
    """Names in a row: ``R``, ``R and G``, ``R, G and B``."""
    return " and ".join(filter(None, (", ".join(names[:-1]), *names[-1:])))


def filter_tint(name: str) -> str:
    """Name of the CSS colour of a filter; the same for the same name everywhere."""
    return name if name in BANDS else f"other-{spare_number(name)}"


def spare_number(name: str) -> int:
    """1, 2 or 3, the colours that the page keeps for filters it does not know."""
    return 1 + sum(name.encode()) % 3


def direction(steps: float, setup: Setup) -> str:
    """``out`` (away from the telescope) or ``in`` for a move of so many steps; empty for none."""
    if steps == 0:
        return ""
    return "out" if (steps > 0) == (setup.focuser.outward == "increasing") else "in"


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


def from_reference(position: float | None, comparison: Comparison) -> float | None:
    """A position counted from best focus of the reference, in steps; None where not known."""
    at = known(position)
    found = [r.best_focus_steps for r in comparison.rows if r.filter == comparison.reference]
    best = known(found[0]) if found else None
    return None if at is None or best is None else at - best


def to_refocus(comparison: Comparison) -> list[str]:
    """Filters at which to refocus."""
    return [row.filter for row in comparison.rows if action_words(row) == "refocus"]


def by_action(result: RunResult) -> dict[str, list[Any]] | None:
    """Rows to ``move``, filters that may ``stay`` or where to focus ``again``; None if refused."""
    told: dict[str, list[Any]] = {"move": [], "stay": [], "again": []}
    others = [row for row in result.comparison.rows if row.filter != result.comparison.reference]
    for row in others:
        if row.status == "refused" or row.action == "refocus" or row.move_steps is None:
            told["again"].append(row.filter)
        elif row.action == "ignore":
            told["stay"].append(row.filter)
        else:
            told["move"].append(row)
    return told if any(row.status != "refused" for row in others) else None


class OpenQuestion(NamedTuple):
    """A question without an answer: code, topic, why it is open, what to capture instead."""

    code: str
    topic: str
    why: str
    capture: str

    @property
    def notice(self) -> Notice:
        """As a warning of the machine-readable result."""
        return Notice(self.code, f"{self.why} {self.capture}")


def play_seen(result: RunResult) -> tuple[float, ...]:
    """Steps of play that sweeps took up at their start, smallest first."""
    found = (known(fit.play_steps.value) for fit in result.curves.fits)
    return tuple(sorted(steps for steps in found if steps is not None))


def open_questions(result: RunResult) -> tuple[OpenQuestion, ...]:
    """Every question of the contract that this run leaves without an answer."""
    lines = render("questions.txt", {"result": result}).splitlines()
    return tuple(OpenQuestion(*line.split("|")) for line in lines)


def spans(result: NightResult) -> list[dict[str, str]]:
    """Runs of frames with one trouble: what, from which frame to which, and the reason."""
    found, said = [], macros("night_said.txt")
    states = ["lost" if frame.state == "lost" else "" for frame in result.frames]
    trouble = zip(states, result.causes, range(len(states)), strict=True)
    for (state, cause), group in groupby(trouble, key=lambda one: one[:2]):
        these = [k for *_, k in group]
        ends = [result.exposures[k] for k in (these[0], these[-1])]
        worst = max(these, key=lambda k: result.frames[k].growth)
        span = {
            "what": said.cause(cause),
            "state": state,
            "count": str(len(these)),
            "when": " to ".join(dict.fromkeys(numbers.clock_text(one.time_mjd) for one in ends)),
            "files": " to ".join(dict.fromkeys(one.file for one in ends)),
            "why": said.reason(result, worst, several=len(these) > 1),
        }
        found += [span] if cause else []
    return found
