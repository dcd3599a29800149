"""A night in the terminal."""

from rich.console import Console

from ..night import NightResult
from .night_words import count_words, filter_words, night_headline, rule_words, spans
from .sentences import sentence
from .terminal import say, standard_output


def print_night(result: NightResult, *, console: Console | None = None) -> None:
    """Print the headline, the troubles in order of time, filters whose offset is off, the rule."""
    out = console or standard_output()
    say(out, night_headline(result), style="bold")
    say(out, f"{len(result.frames)} exposures: {count_words([f.state for f in result.frames])}.")
    found = spans(result)
    if found:
        out.print()
    for span in found:
        say(
            out, f"{span['when'] or span['files']}  {span['what']} ({span['count']}): {span['why']}"
        )
    off = [one for one in result.offsets if one.agrees is False]
    for one in off:
        say(out, f"The offset of {one.filter} {filter_words(result, one)}.", style="bold")
    for line in rule_words(result):
        say(out, line)
    for notice in result.notices:
        say(out, sentence(notice.text))
