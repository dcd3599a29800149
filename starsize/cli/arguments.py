"""The words of the command line: verbs, options and their help. Imports nothing heavy."""

import argparse
import sys
from pathlib import Path
from typing import Any, NoReturn

from .. import __version__


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


def _add_offsets(verbs: "argparse._SubParsersAction[_OneLineParser]") -> None:
    verb = verbs.add_parser(
        "offsets",
        help="the offset table and the colour verdict from focus sweeps (the main job)",
        description="Finds how far to move the focuser at each filter change, and whether the "
        "telescope focuses all colours together.",
        epilog="Exit status: 0 all filters measured, 3 some refused, 4 none measured, "
        "2 the call or the input was wrong.",
    )
    verb.add_argument("frames", nargs="+", type=Path, metavar="FRAMES", help="folders and files")
    verb.add_argument(
        "--reference", metavar="FILTER", help="filter that offsets are counted from (default: L)"
    )
    _add_out(verb, "starsize-out")
    _add_facts(verb)
    verb.add_argument(
        "--watch",
        action="store_true",
        help="follow a folder while it is being captured: a line after each sweep, and the page "
        "written anew",
    )
    verb.add_argument(
        "--plan", type=Path, metavar="CSV", help="with --watch: stop when all its sweeps are in"
    )
    _add_reading(verb)
    _add_showing(verb)


def _add_measure(verbs: "argparse._SubParsersAction[_OneLineParser]") -> None:
    verb = verbs.add_parser(
        "measure",
        help="half-flux radius of single frames",
        description="Prints stars, half-flux radius, background and elongation, one line a frame; "
        "three (R, G, B) for a frame of a colour camera.",
    )
    verb.add_argument("frames", nargs="+", type=Path, metavar="FRAME", help="files and folders")
    verb.add_argument(
        "--stars", type=Path, metavar="FILE", help="write the table of all stars (ECSV)"
    )
    _add_overwrite(verb)
    _add_reading(verb)
    _add_showing(verb)


def _add_compare(verbs: "argparse._SubParsersAction[_OneLineParser]") -> None:
    verb = verbs.add_parser(
        "compare",
        help="what changed between two filter sets or two nights",
        description="Compares two result folders of 'starsize offsets': which filters changed "
        "focus, by how much, and which moves to update.",
    )
    verb.add_argument("old", type=Path, metavar="OLD", help="result folder of the old set or night")
    verb.add_argument("new", type=Path, metavar="NEW", help="result folder of the new set or night")
    _add_out(verb, "starsize-comparison")
    _add_showing(verb)


def _add_plan(verbs: "argparse._SubParsersAction[_OneLineParser]") -> None:
    verb = verbs.add_parser(
        "plan",
        help="what to capture: positions, exposures, order, and how well it will tell the offsets",
        description="Plans focus sweeps for your telescope. Focal length, aperture and step size "
        "in the setup file are enough; what else is known makes the plan truer.",
        epilog="Exit status: 0 planned, 3 planned but the uncertainty wanted cannot be reached, "
        "2 the call or the input was wrong.",
    )
    verb.add_argument(
        "--setup", type=Path, metavar="FILE", help="TOML file: telescope, focuser, camera, filters"
    )
    verb.add_argument("--position", type=float, metavar="STEPS", help="about where best focus lies")
    seen = verb.add_mutually_exclusive_group()
    seen.add_argument("--hfr", type=_positive, metavar="PX", help="half-flux radius in focus")
    seen.add_argument(
        "--from",
        dest="seen",
        nargs="+",
        type=Path,
        metavar="PATH",
        help="test frames, the sharpest in focus, or one result folder",
    )
    verb.add_argument(
        "--filters",
        type=_names,
        default=(),
        metavar="L,R,...",
        help="filters to sweep (default: those of the setup file)",
    )
    verb.add_argument(
        "--reference", metavar="FILTER", help="filter that offsets are counted from (default: L)"
    )
    verb.add_argument(
        "--sigma",
        type=_steps_or_zones,
        metavar="STEPS",
        help="uncertainty wanted for each offset, in steps, or as '0.3zone' in the smallest "
        "critical focus zone (default: 0.25zone)",
    )
    _add_out(verb, "starsize-plan")
    _add_jobs(verb)
    _add_showing(verb)


def _add_night(verbs: "argparse._SubParsersAction[_OneLineParser]") -> None:
    verb = verbs.add_parser(
        "night",
        help="focus through a night of ordinary exposures",
        description="Says from the night's own exposures when focus was lost, why, and when to "
        "focus again.",
        epilog="Exit status: 0 judged, 3 some exposures could not be measured, 4 none, 2 the call "
        "or the input was wrong.",
    )
    verb.add_argument("frames", nargs="+", type=Path, metavar="FRAMES", help="folders and files")
    verb.add_argument(
        "--offsets",
        type=Path,
        metavar="RESULT",
        help="result folder of 'starsize offsets': the star of this telescope, its table",
    )
    verb.add_argument(
        "--growth",
        type=_percent,
        default=0.1,
        metavar="PERCENT",
        help="growth of the stars by defocus that counts as lost (default: 10)",
    )
    _add_out(verb, "starsize-night")
    _add_facts(verb)
    verb.add_argument(
        "--watch", action="store_true", help="follow the folders until stopped with Ctrl-C"
    )
    _add_reading(verb)
    _add_showing(verb)


def _add_simulate(verbs: "argparse._SubParsersAction[_OneLineParser]") -> None:
    verb = verbs.add_parser(
        "simulate",
        help="practice frames with known truth",
        description="Draws the frames of an invented night and writes its truth beside them.",
    )
    verb.add_argument(
        "--scenario", default="parfocal_refractor", metavar="NAME", help="which invented telescope"
    )
    verb.add_argument("--list", action="store_true", help="list the scenarios and stop")
    verb.add_argument(
        "--plan", type=Path, metavar="CSV", help="follow this plan.csv with your own telescope"
    )
    verb.add_argument(
        "--setup", type=Path, metavar="FILE", help="your telescope (default: that of the plan)"
    )
    verb.add_argument("--seed", type=int, default=1, metavar="N", help="seed of the random numbers")
    _add_out(verb, "starsize-practice")
    verb.add_argument("--quiet", action="store_true", help="print nothing but errors")


def _add_out(verb: argparse.ArgumentParser, default: str) -> None:
    verb.add_argument(
        "--out",
        type=Path,
        default=Path(default),
        metavar="DIR",
        help=f"folder to write into (default: {default})",
    )
    _add_overwrite(verb)


def _add_facts(verb: argparse.ArgumentParser) -> None:
    verb.add_argument(
        "--facts",
        type=Path,
        metavar="CSV",
        help="table (file, filter, position_steps, temperature_degC, ...) that supplies or "
        "overrides what headers say",
    )


def _add_overwrite(verb: argparse.ArgumentParser) -> None:
    verb.add_argument(
        "--overwrite", action="store_true", help="replace files that starsize did not write"
    )


def _add_reading(verb: argparse.ArgumentParser) -> None:
    verb.add_argument(
        "--setup", type=Path, metavar="FILE", help="TOML file: telescope, focuser, camera, filters"
    )
    for kind in ("dark", "flat", "bias"):
        verb.add_argument(f"--{kind}", type=Path, metavar="FILE", help=f"master {kind} frame")
    _add_jobs(verb)


def _add_jobs(verb: argparse.ArgumentParser) -> None:
    verb.add_argument(
        "--jobs",
        type=_count,
        default=None,
        metavar="N",
        help="processes that measure frames (default: one per core)",
    )
    verb.add_argument(
        "--cluster",
        metavar="ADDRESS",
        help="scheduler of a dask.distributed cluster that measures the frames instead",
    )


def _add_showing(verb: argparse.ArgumentParser) -> None:
    verb.add_argument("--quiet", action="store_true", help="print nothing but errors")
    verb.add_argument("--json", action="store_true", help="print the result as JSON")


def _count(text: str) -> int:
    try:
        number = int(text)
    except ValueError:
        number = 0
    if number < 1:
        msg = f"a number of 1 or more is wanted, not '{text}'"
        raise argparse.ArgumentTypeError(msg)
    return number


def _positive(text: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = 0.0
    if not 0 < number < float("inf"):
        msg = f"a number above 0 is wanted, not '{text}'"
        raise argparse.ArgumentTypeError(msg)
    return number


def _names(text: str) -> tuple[str, ...]:
    return tuple(name.strip() for name in text.split(",") if name.strip())


def _steps_or_zones(text: str) -> tuple[float | None, float | None]:
    """Return steps and zones, one of them None."""
    word = text.strip().lower().removesuffix("s")
    if word.endswith("zone"):
        return None, _positive(word.removesuffix("zone").strip())
    return _positive(text), None


def _percent(text: str) -> float:
    try:
        number = float(text.removesuffix("%"))
    except ValueError:
        number = 0.0
    if not 0 < number <= 200:
        msg = f"per cent above 0, at most 200, are wanted, not '{text}'"
        raise argparse.ArgumentTypeError(msg)
    return number / 100
