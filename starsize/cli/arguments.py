"""The words of the command line: verbs, options and their help. Imports nothing heavy."""

import argparse
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, NoReturn, TypeAlias

from .. import __version__

_Verbs: TypeAlias = "argparse._SubParsersAction[_OneLineParser]"


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
    for add in (
        _add_offsets, _add_measure, _add_compare, _add_plan, _add_night, _add_simulate,
    ):  # fmt: skip
        add(verbs)
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


def _file(metavar: str, words: str) -> dict[str, Any]:
    return {"type": Path, "metavar": metavar, "help": words}


def _flag(words: str) -> dict[str, Any]:
    return {"action": "store_true", "help": words}


def _add(verb: argparse.ArgumentParser, *names: str) -> None:
    """Options that several verbs have."""
    for name in names:
        verb.add_argument(name, **_SHARED[name])


def _add_out(verb: argparse.ArgumentParser, default: str) -> None:
    words = f"folder to write into (default: {default})"
    verb.add_argument("--out", default=Path(default), **_file("DIR", words))
    _add(verb, "--overwrite")


def _add_offsets(verbs: _Verbs) -> None:
    verb = verbs.add_parser(
        "offsets",
        help="the offset table and the colour verdict from focus sweeps (the main job)",
        description="Finds how far to move the focuser at each filter change, and whether the "
        "telescope focuses all colours together.",
        epilog="Exit status: 0 all filters measured, 3 some refused, 4 none measured, "
        "2 the call or the input was wrong.",
    )
    verb.add_argument("frames", nargs="+", **_file("FRAMES", "folders and files"))
    _add(verb, "--reference")
    _add_out(verb, "starsize-out")
    _add(verb, "--facts")
    watch = "follow a folder while it is being captured: a line after each sweep, and the page "
    verb.add_argument("--watch", **_flag(watch + "written anew"))
    plan = "with --watch: stop when all its sweeps are in"
    verb.add_argument("--plan", **_file("CSV", plan))
    _add(verb, *_READING, *_SHOWING)


def _add_measure(verbs: _Verbs) -> None:
    verb = verbs.add_parser(
        "measure",
        help="half-flux radius of single frames",
        description="Prints stars, half-flux radius, background and elongation, one line a frame; "
        "three (R, G, B) for a frame of a colour camera.",
    )
    verb.add_argument("frames", nargs="+", **_file("FRAME", "files and folders"))
    verb.add_argument("--stars", **_file("FILE", "write the table of all stars (ECSV)"))
    _add(verb, "--overwrite", *_READING, *_SHOWING)


def _add_compare(verbs: _Verbs) -> None:
    verb = verbs.add_parser(
        "compare",
        help="what changed between two filter sets or two nights",
        description="Compares two result folders of 'starsize offsets': which filters changed "
        "focus, by how much, and which moves to update.",
    )
    verb.add_argument("old", **_file("OLD", "result folder of the old set or night"))
    verb.add_argument("new", **_file("NEW", "result folder of the new set or night"))
    _add_out(verb, "starsize-comparison")
    _add(verb, *_SHOWING)


def _add_plan(verbs: _Verbs) -> None:
    verb = verbs.add_parser(
        "plan",
        help="what to capture: positions, exposures, order, and how well it will tell the offsets",
        description="Plans focus sweeps for your telescope. Focal length, aperture and step size "
        "in the setup file are enough; what else is known makes the plan truer.",
        epilog="Exit status: 0 planned, 3 planned but the uncertainty wanted cannot be reached, "
        "2 the call or the input was wrong.",
    )
    _add(verb, "--setup")
    verb.add_argument("--position", type=float, metavar="STEPS", help="about where best focus lies")
    seen = verb.add_mutually_exclusive_group()
    seen.add_argument("--hfr", type=_positive, metavar="PX", help="half-flux radius in focus")
    frames = "test frames, the sharpest in focus, or one result folder"
    seen.add_argument("--from", dest="seen", nargs="+", **_file("PATH", frames))
    verb.add_argument(
        "--filters", default=(), metavar="L,R,...",
        type=lambda text: tuple(name.strip() for name in text.split(",") if name.strip()),
        help="filters to sweep (default: those of the setup file)",
    )  # fmt: skip
    _add(verb, "--reference")
    verb.add_argument(
        "--sigma", type=_steps_or_zones, metavar="STEPS",
        help="uncertainty wanted for each offset, in steps, or as '0.3zone' in the smallest "
        "critical focus zone (default: 0.25zone)",
    )  # fmt: skip
    _add_out(verb, "starsize-plan")
    _add(verb, "--jobs", "--cluster", *_SHOWING)


def _add_night(verbs: _Verbs) -> None:
    verb = verbs.add_parser(
        "night",
        help="focus through a night of ordinary exposures",
        description="Says from the night's own exposures when focus was lost, why, and when to "
        "focus again.",
        epilog="Exit status: 0 judged, 3 some exposures could not be measured, 4 none, 2 the call "
        "or the input was wrong.",
    )
    verb.add_argument("frames", nargs="+", **_file("FRAMES", "folders and files"))
    result = "result folder of 'starsize offsets': the star of this telescope, its table"
    verb.add_argument("--offsets", **_file("RESULT", result))
    verb.add_argument(
        "--growth", type=_percent, default=0.1, metavar="PERCENT",
        help="growth of the stars by defocus that counts as lost (default: 10)",
    )  # fmt: skip
    _add_out(verb, "starsize-night")
    _add(verb, "--facts")
    verb.add_argument("--watch", **_flag("follow the folders until stopped with Ctrl-C"))
    _add(verb, *_READING, *_SHOWING)


def _add_simulate(verbs: _Verbs) -> None:
    verb = verbs.add_parser(
        "simulate",
        help="practice frames with known truth",
        description="Draws the frames of an invented night and writes its truth beside them.",
    )
    verb.add_argument(
        "--scenario", default="parfocal_refractor", metavar="NAME", help="which invented telescope"
    )
    verb.add_argument("--list", **_flag("list the scenarios and stop"))
    verb.add_argument("--plan", **_file("CSV", "follow this plan.csv with your own telescope"))
    verb.add_argument("--setup", **_file("FILE", "your telescope (default: that of the plan)"))
    verb.add_argument("--seed", type=int, default=1, metavar="N", help="seed of the random numbers")
    _add_out(verb, "starsize-practice")
    _add(verb, "--quiet")


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


_SHARED: Final[dict[str, dict[str, Any]]] = {
    "--reference": {
        "metavar": "FILTER", "help": "filter that offsets are counted from (default: L)",
    },
    "--overwrite": _flag("replace files that starsize did not write"),
    "--facts": _file(
        "CSV", "table (file, filter, position_steps, temperature_degC, ...) that supplies or "
        "overrides what headers say",
    ),
    "--setup": _file("FILE", "TOML file: telescope, focuser, camera, filters"),
    **{f"--{kind}": _file("FILE", f"master {kind} frame") for kind in ("dark", "flat", "bias")},
    "--jobs": {
        "type": _count, "metavar": "N",
        "help": "processes that measure frames (default: one per core)",
    },
    "--cluster": {
        "metavar": "ADDRESS",
        "help": "scheduler of a dask.distributed cluster that measures the frames instead",
    },
    "--quiet": _flag("print nothing but errors"),
    "--json": _flag("print the result as JSON"),
}  # fmt: skip
_READING: Final = ("--setup", "--dark", "--flat", "--bias", "--jobs", "--cluster")
_SHOWING: Final = ("--quiet", "--json")
