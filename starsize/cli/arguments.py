"""The parser of the command line, from the verbs of ``verbs.toml``. Imports nothing heavy."""

import argparse
import sys
import tomllib
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, Final, NoReturn

from .. import __version__


class _OneLineParser(argparse.ArgumentParser):
    """Reports a wrong call in one line instead of the whole usage."""

    def error(self, message: str) -> NoReturn:
        self.exit(2, f"{self.prog}: {message}; see '{self.prog} --help'\n")

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """Complain of what is left over where the verb is known: its help says more."""
        found, left = super().parse_known_args(args, namespace)
        if left:
            self.error(f"unrecognized arguments: {' '.join(left)}")
        return found, left


def build_parser() -> argparse.ArgumentParser:
    """Build the parser of all verbs; ``arguments.verb`` names the one called."""
    parser = _OneLineParser(
        prog="starsize",
        description="Measures telescope focus from image frames: half-flux radii, focus curves, "
        "and how far to move the focuser when the filter changes.",
        epilog="Start with 'starsize offsets FOLDER', FOLDER holding one focus sweep per filter.",
    )
    parser.add_argument("--version", action="version", version=f"starsize {__version__}")
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="VERB")
    tables = tomllib.loads(Path(__file__).with_name("verbs.toml").read_text("utf-8"))
    shared = tables.pop("shared")
    for name, words in tables.items():
        options = words.pop("options")
        verb = verbs.add_parser(name, **words)
        either = verb.add_mutually_exclusive_group() if name == "plan" else verb
        for option in options:
            how = {"name": option, **shared[option]} if isinstance(option, str) else option
            if how.keys() == {"name", "help"}:
                how["action"] = "store_true"
            if "file" in how:
                how |= {"type": Path, "metavar": how.pop("file")}
            elif "type" in how:
                how["type"] = _TYPES[how["type"]]
            holder = either if how.pop("either", False) else verb
            holder.add_argument(how.pop("name"), **how)
    parser.add_argument(
        "--print-completion",
        action=_PrintCompletion,
        choices=("bash", "zsh", "tcsh"),
        help="print what makes a shell complete verbs, options and files",
    )
    return parser


class _PrintCompletion(argparse.Action):
    """Prints what makes a shell complete verbs, options and files, and stops."""

    def __call__(self, parser: argparse.ArgumentParser, *call: Any) -> None:
        """Print it for the shell that was named; what calls this hands on more than that."""
        _, shell, *_ = call
        import shtab  # here, so that nobody else waits for it

        verbs = next(a for a in parser._actions if isinstance(a, argparse._SubParsersAction))
        for verb in verbs.choices.values():
            for action in verb._actions:
                if action.type is Path:
                    folder = action.dest == "out"
                    action.complete = shtab.DIRECTORY if folder else shtab.FILE
        sys.stdout.write(shtab.complete(parser, shell=shell))
        parser.exit()


def _number(
    kind: Callable[[str], float], wanted: str, text: str, most: float = sys.float_info.max
) -> Any:
    try:
        number = kind(text)
    except ValueError:
        number = 0
    if not 0 < number <= most:
        raise argparse.ArgumentTypeError(f"{wanted}, not '{text}'")
    return number


_count = partial(_number, int, "a number of 1 or more is wanted")
_positive = partial(_number, float, "a number above 0 is wanted")


def _percent(text: str) -> float:
    wanted = "per cent above 0, at most 200, are wanted"
    return _number(float, wanted, text.removesuffix("%"), most=200.0) / 100


def _steps_or_zones(text: str) -> tuple[float | None, float | None]:
    """Return steps and zones, one of them None."""
    word = text.strip().lower().removesuffix("s")
    if word.endswith("zone"):
        return None, _positive(word.removesuffix("zone").strip())
    return _positive(text), None


_TYPES: Final[dict[str, Callable[[str], Any]]] = {
    "count": _count,
    "float": float,
    "int": int,
    "names": lambda text: tuple(name.strip() for name in text.split(",") if name.strip()),
    "percent": _percent,
    "positive": _positive,
    "steps_or_zones": _steps_or_zones,
}
