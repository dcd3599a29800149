"""The words of the command line: verbs, options and their help. Imports nothing heavy."""

import argparse
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, NoReturn, TypeAlias

from .. import __version__

_Verbs: TypeAlias = "argparse._SubParsersAction[_OneLineParser]"


class _OneLineParser(argparse.ArgumentParser):
    """Reports a wrong call in one line instead of the whole usage."""

    def error(self, message: str) -> NoReturn:
        self.exit(2, f"{self.prog}: {message}; see '{self.prog} --help'\n")


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
    _add_offsets(verbs)
    _add_measure(verbs)
    _add_compare(verbs)
    _add_plan(verbs)
    _add_night(verbs)
    _add_simulate(verbs)
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


def _add_offsets(verbs: _Verbs) -> None:
    verb = verbs.add_parser(
        "offsets",
        help="the offset table and the colour verdict from focus sweeps (the main job)",
        description="Finds how far to move the focuser at each filter change, and whether the "
        "telescope focuses all colours together.",
        epilog="Exit status: 0 all filters measured, 3 some refused, 4 none measured, "
        "2 the call or the input was wrong.",
    )
    verb.add_argument("frames", nargs="+", type=Path, metavar="FRAMES", help="folders and files")
    _add_reference(verb)
    _add_out(verb, "starsize-out")
    _add_facts(verb)
    _flag(
        verb, "--watch", "follow a folder while it is being captured: a line after each sweep, and "
        "the page written anew",
    )  # fmt: skip
    _path(verb, "--plan", "CSV", "with --watch: stop when all its sweeps are in")
    _add_reading(verb)
    _add_showing(verb)


def _add_measure(verbs: _Verbs) -> None:
    verb = verbs.add_parser(
        "measure",
        help="half-flux radius of single frames",
        description="Prints stars, half-flux radius, background and elongation, one line a frame; "
        "three (R, G, B) for a frame of a colour camera.",
    )
    verb.add_argument("frames", nargs="+", type=Path, metavar="FRAME", help="files and folders")
    _path(verb, "--stars", "FILE", "write the table of all stars (ECSV)")
    _add_overwrite(verb)
    _add_reading(verb)
    _add_showing(verb)


def _add_compare(verbs: _Verbs) -> None:
    verb = verbs.add_parser(
        "compare",
        help="what changed between two filter sets or two nights",
        description="Compares two result folders of 'starsize offsets': which filters changed "
        "focus, by how much, and which moves to update.",
    )
    _path(verb, "old", "OLD", "result folder of the old set or night")
    _path(verb, "new", "NEW", "result folder of the new set or night")
    _add_out(verb, "starsize-comparison")
    _add_showing(verb)


def _add_plan(verbs: _Verbs) -> None:
    verb = verbs.add_parser(
        "plan",
        help="what to capture: positions, exposures, order, and how well it will tell the offsets",
        description="Plans focus sweeps for your telescope. Focal length, aperture and step size "
        "in the setup file are enough; what else is known makes the plan truer.",
        epilog="Exit status: 0 planned, 3 planned but the uncertainty wanted cannot be reached, "
        "2 the call or the input was wrong.",
    )
    _add_setup(verb)
    verb.add_argument("--position", type=float, metavar="STEPS", help="about where best focus lies")
    seen = verb.add_mutually_exclusive_group()
    seen.add_argument("--hfr", type=_positive, metavar="PX", help="half-flux radius in focus")
    seen.add_argument(
        "--from", dest="seen", nargs="+", type=Path, metavar="PATH",
        help="test frames, the sharpest in focus, or one result folder",
    )  # fmt: skip
    verb.add_argument(
        "--filters", type=_names, default=(), metavar="L,R,...",
        help="filters to sweep (default: those of the setup file)",
    )  # fmt: skip
    _add_reference(verb)
    verb.add_argument(
        "--sigma", type=_steps_or_zones, metavar="STEPS",
        help="uncertainty wanted for each offset, in steps, or as '0.3zone' in the smallest "
        "critical focus zone (default: 0.25zone)",
    )  # fmt: skip
    _add_out(verb, "starsize-plan")
    _add_jobs(verb)
    _add_showing(verb)


def _add_night(verbs: _Verbs) -> None:
    verb = verbs.add_parser(
        "night",
        help="focus through a night of ordinary exposures",
        description="Says from the night's own exposures when focus was lost, why, and when to "
        "focus again.",
        epilog="Exit status: 0 judged, 3 some exposures could not be measured, 4 none, 2 the call "
        "or the input was wrong.",
    )
    verb.add_argument("frames", nargs="+", type=Path, metavar="FRAMES", help="folders and files")
    _path(
        verb, "--offsets", "RESULT",
        "result folder of 'starsize offsets': the star of this telescope, its table",
    )  # fmt: skip
    verb.add_argument(
        "--growth", type=_percent, default=0.1, metavar="PERCENT",
        help="growth of the stars by defocus that counts as lost (default: 10)",
    )  # fmt: skip
    _add_out(verb, "starsize-night")
    _add_facts(verb)
    _flag(verb, "--watch", "follow the folders until stopped with Ctrl-C")
    _add_reading(verb)
    _add_showing(verb)


def _add_simulate(verbs: _Verbs) -> None:
    verb = verbs.add_parser(
        "simulate",
        help="practice frames with known truth",
        description="Draws the frames of an invented night and writes its truth beside them.",
    )
    verb.add_argument(
        "--scenario", default="parfocal_refractor", metavar="NAME", help="which invented telescope"
    )
    _flag(verb, "--list", "list the scenarios and stop")
    _path(verb, "--plan", "CSV", "follow this plan.csv with your own telescope")
    _path(verb, "--setup", "FILE", "your telescope (default: that of the plan)")
    verb.add_argument("--seed", type=int, default=1, metavar="N", help="seed of the random numbers")
    _add_out(verb, "starsize-practice")
    _flag(verb, "--quiet", "print nothing but errors")


def _flag(verb: argparse.ArgumentParser, name: str, words: str) -> None:
    verb.add_argument(name, action="store_true", help=words)


def _path(verb: argparse.ArgumentParser, name: str, metavar: str, words: str) -> None:
    verb.add_argument(name, type=Path, metavar=metavar, help=words)


def _add_reference(verb: argparse.ArgumentParser) -> None:
    verb.add_argument(
        "--reference", metavar="FILTER", help="filter that offsets are counted from (default: L)"
    )


def _add_out(verb: argparse.ArgumentParser, default: str) -> None:
    words = f"folder to write into (default: {default})"
    verb.add_argument("--out", type=Path, default=Path(default), metavar="DIR", help=words)
    _add_overwrite(verb)


def _add_facts(verb: argparse.ArgumentParser) -> None:
    _path(
        verb, "--facts", "CSV", "table (file, filter, position_steps, temperature_degC, ...) that "
        "supplies or overrides what headers say",
    )  # fmt: skip


def _add_overwrite(verb: argparse.ArgumentParser) -> None:
    _flag(verb, "--overwrite", "replace files that starsize did not write")


def _add_setup(verb: argparse.ArgumentParser) -> None:
    _path(verb, "--setup", "FILE", "TOML file: telescope, focuser, camera, filters")


def _add_reading(verb: argparse.ArgumentParser) -> None:
    _add_setup(verb)
    for kind in ("dark", "flat", "bias"):
        _path(verb, f"--{kind}", "FILE", f"master {kind} frame")
    _add_jobs(verb)


def _add_jobs(verb: argparse.ArgumentParser) -> None:
    verb.add_argument(
        "--jobs", type=_count, metavar="N",
        help="processes that measure frames (default: one per core)",
    )  # fmt: skip
    verb.add_argument(
        "--cluster", metavar="ADDRESS",
        help="scheduler of a dask.distributed cluster that measures the frames instead",
    )  # fmt: skip


def _add_showing(verb: argparse.ArgumentParser) -> None:
    _flag(verb, "--quiet", "print nothing but errors")
    _flag(verb, "--json", "print the result as JSON")


def _number(
    text: str, kind: Callable[[str], float], fits: Callable[[float], bool], wanted: str
) -> float:
    try:
        number = kind(text)
    except ValueError:
        number = 0
    if not fits(number):
        msg = f"{wanted}, not '{text}'"
        raise argparse.ArgumentTypeError(msg)
    return number


def _count(text: str) -> int:
    return int(_number(text, int, lambda n: n >= 1, "a number of 1 or more is wanted"))


def _positive(text: str) -> float:
    return _number(text, float, lambda n: 0 < n < float("inf"), "a number above 0 is wanted")


def _percent(text: str) -> float:
    wanted = "per cent above 0, at most 200, are wanted"
    share = _number(text, lambda t: float(t.removesuffix("%")), lambda n: 0 < n <= 200, wanted)
    return share / 100


def _names(text: str) -> tuple[str, ...]:
    return tuple(name.strip() for name in text.split(",") if name.strip())


def _steps_or_zones(text: str) -> tuple[float | None, float | None]:
    """Return steps and zones, one of them None."""
    word = text.strip().lower().removesuffix("s")
    if word.endswith("zone"):
        return None, _positive(word.removesuffix("zone").strip())
    return _positive(text), None
