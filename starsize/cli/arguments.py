"""The words of the command line: verbs, options and their help. Imports nothing heavy."""

import argparse
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final, NoReturn, TypeAlias

from .. import __version__

_How: TypeAlias = dict[str, Any]


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
    for name, (words, options) in _VERBS.items():
        verb = verbs.add_parser(name, **words)
        either = verb.add_mutually_exclusive_group() if name == "plan" else verb
        for option in options:
            flag, how = (option, _SHARED[option]) if isinstance(option, str) else option
            (either if flag in ("--hfr", "--from") else verb).add_argument(flag, **how)
    parser.add_argument(
        "--print-completion",
        action=_PrintCompletion,
        choices=("bash", "zsh", "tcsh"),
        help="print what makes a shell complete verbs, options and files",
    )
    return parser


class _PrintCompletion(argparse.Action):
    """Prints what makes a shell complete verbs, options and files, and stops."""

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,
        values: Any,
        option_string: str | None = None,
    ) -> None:
        del namespace, option_string
        import shtab  # here, so that nobody else waits for it

        verbs = next(a for a in parser._actions if isinstance(a, argparse._SubParsersAction))
        for verb in verbs.choices.values():
            for action in verb._actions:
                if action.type is Path:
                    folder = action.dest == "out"
                    action.complete = shtab.DIRECTORY if folder else shtab.FILE
        sys.stdout.write(shtab.complete(parser, shell=values))
        parser.exit()


def _file(metavar: str, words: str, **more: Any) -> _How:
    return {"type": Path, "metavar": metavar, "help": words, **more}


def _word(metavar: str, words: str, **more: Any) -> _How:
    return {"metavar": metavar, "help": words, **more}


def _flag(words: str) -> _How:
    return {"action": "store_true", "help": words}


def _out(default: str) -> tuple[str, _How]:
    words = f"folder to write into (default: {default})"
    return "--out", _file("DIR", words, default=Path(default))


def _number(
    text: str,
    wanted: str,
    *,
    most: float = sys.float_info.max,
    kind: Callable[[str], float] = float,
) -> float:
    try:
        number = kind(text)
    except ValueError:
        number = 0
    if not 0 < number <= most:
        msg = f"{wanted}, not '{text}'"
        raise argparse.ArgumentTypeError(msg)
    return number


def _count(text: str) -> int:
    return int(_number(text, "a number of 1 or more is wanted", kind=int))


def _positive(text: str) -> float:
    return _number(text, "a number above 0 is wanted")


def _percent(text: str) -> float:
    wanted = "per cent above 0, at most 200, are wanted"
    return _number(text.removesuffix("%"), wanted, most=200.0) / 100


def _steps_or_zones(text: str) -> tuple[float | None, float | None]:
    """Return steps and zones, one of them None."""
    word = text.strip().lower().removesuffix("s")
    if word.endswith("zone"):
        return None, _positive(word.removesuffix("zone").strip())
    return _positive(text), None


def _names(text: str) -> tuple[str, ...]:
    return tuple(name.strip() for name in text.split(",") if name.strip())


_SHARED: Final[dict[str, _How]] = {
    "--reference": _word("FILTER", "filter that offsets are counted from (default: L)"),
    "--overwrite": _flag("replace files that starsize did not write"),
    "--facts": _file(
        "CSV", "table (file, filter, position_steps, temperature_degC, ...) that supplies or "
        "overrides what headers say",
    ),
    "--setup": _file("FILE", "TOML file: telescope, focuser, camera, filters"),
    **{f"--{kind}": _file("FILE", f"master {kind} frame") for kind in ("dark", "flat", "bias")},
    "--jobs": _word("N", "processes that measure frames (default: one per core)", type=_count),
    "--cluster": _word(
        "ADDRESS", "scheduler of a dask.distributed cluster that measures the frames instead"
    ),
    "--quiet": _flag("print nothing but errors"),
    "--json": _flag("print the result as JSON"),
}  # fmt: skip
_READING: Final = ("--setup", "--dark", "--flat", "--bias", "--jobs", "--cluster")
_SHOWING: Final = ("--quiet", "--json")
_FRAMES: Final = ("frames", _file("FRAMES", "folders and files", nargs="+"))

_VERBS: Final[dict[str, tuple[_How, Sequence[str | tuple[str, _How]]]]] = {
    "offsets": (
        {
            "help": "the offset table and the colour verdict from focus sweeps (the main job)",
            "description": "Finds how far to move the focuser at each filter change, and whether "
            "the telescope focuses all colours together.",
            "epilog": "Exit status: 0 all filters measured, 3 some refused, 4 none measured, "
            "2 the call or the input was wrong.",
        },
        (
            _FRAMES, "--reference", _out("starsize-out"), "--overwrite", "--facts",
            ("--watch", _flag("follow a folder while it is being captured: a line after each "
                              "sweep, and the page written anew")),
            ("--plan", _file("CSV", "with --watch: stop when all its sweeps are in")),
            *_READING, *_SHOWING,
        ),
    ),
    "measure": (
        {
            "help": "half-flux radius of single frames",
            "description": "Prints stars, half-flux radius, background and elongation, one line a "
            "frame; three (R, G, B) for a frame of a colour camera.",
        },
        (
            ("frames", _file("FRAME", "files and folders", nargs="+")),
            ("--stars", _file("FILE", "write the table of all stars (ECSV)")),
            "--overwrite", *_READING, *_SHOWING,
        ),
    ),
    "compare": (
        {
            "help": "what changed between two filter sets or two nights",
            "description": "Compares two result folders of 'starsize offsets': which filters "
            "changed focus, by how much, and which moves to update.",
        },
        (
            ("old", _file("OLD", "result folder of the old set or night")),
            ("new", _file("NEW", "result folder of the new set or night")),
            _out("starsize-comparison"), "--overwrite", *_SHOWING,
        ),
    ),
    "plan": (
        {
            "help": "what to capture: positions, exposures, order, and how well it will tell the "
            "offsets",
            "description": "Plans focus sweeps for your telescope. Focal length, aperture and step "
            "size in the setup file are enough; what else is known makes the plan truer.",
            "epilog": "Exit status: 0 planned, 3 planned but the uncertainty wanted cannot be "
            "reached, 2 the call or the input was wrong.",
        },
        (
            "--setup",
            ("--position", _word("STEPS", "about where best focus lies", type=float)),
            ("--hfr", _word("PX", "half-flux radius in focus", type=_positive)),
            ("--from", _file("PATH", "test frames, the sharpest in focus, or one result folder",
                             dest="seen", nargs="+")),
            ("--filters", _word("L,R,...", "filters to sweep (default: those of the setup file)",
                                type=_names, default=())),
            "--reference",
            ("--sigma", _word("STEPS", "uncertainty wanted for each offset, in steps, or as "
                              "'0.3zone' in the smallest critical focus zone (default: 0.25zone)",
                              type=_steps_or_zones)),
            _out("starsize-plan"), "--overwrite", "--jobs", "--cluster", *_SHOWING,
        ),
    ),
    "night": (
        {
            "help": "focus through a night of ordinary exposures",
            "description": "Says from the night's own exposures when focus was lost, why, and when "
            "to focus again.",
            "epilog": "Exit status: 0 judged, 3 some exposures could not be measured, 4 none, 2 "
            "the call or the input was wrong.",
        },
        (
            _FRAMES,
            ("--offsets", _file("RESULT", "result folder of 'starsize offsets': the star of this "
                                "telescope, its table")),
            ("--growth", _word("PERCENT", "growth of the stars by defocus that counts as lost "
                               "(default: 10)", type=_percent, default=0.1)),
            _out("starsize-night"), "--overwrite", "--facts",
            ("--watch", _flag("follow the folders until stopped with Ctrl-C")),
            *_READING, *_SHOWING,
        ),
    ),
    "simulate": (
        {
            "help": "practice frames with known truth",
            "description": "Draws the frames of an invented night and writes its truth beside "
            "them.",
        },
        (
            ("--scenario", _word("NAME", "which invented telescope", default="parfocal_refractor")),
            ("--list", _flag("list the scenarios and stop")),
            ("--plan", _file("CSV", "follow this plan.csv with your own telescope")),
            ("--setup", _file("FILE", "your telescope (default: that of the plan)")),
            ("--seed", _word("N", "seed of the random numbers", type=int, default=1)),
            _out("starsize-practice"), "--overwrite", "--quiet",
        ),
    ),
}  # fmt: skip
