"""The command line: parse, call, print, exit status. Nothing is measured here."""

import argparse
import importlib
import os
import sys
from collections.abc import Sequence
from concurrent.futures.process import BrokenProcessPool

from ..errors import InputError, printable
from .arguments import build_parser
from .workers import interrupts_held

__all__ = ["main"]


def main(argv: Sequence[str] | None = None) -> int:
    """Run ``starsize`` with these arguments, the process' own by default.

    0: all filters measured, 2: the call or the input was wrong, 3: some filters refused, 4: none
    could be measured, 130: stopped from the keyboard.
    """
    arguments = build_parser().parse_args(argv)
    if getattr(arguments, "cluster", None):  # other machines have to find the files too
        arguments.frames = [path.absolute() for path in arguments.frames]
        for kind in ("dark", "flat", "bias"):
            path = getattr(arguments, kind)
            setattr(arguments, kind, path and path.absolute())
    # Before numpy is loaded: on matrices as small as ours threads only wait for each other.
    for name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    try:
        for path in getattr(arguments, "frames", ()):
            if not os.path.lexists(path):  # told at once, before anything heavy is loaded
                raise InputError(f"{path}: there is no such file or folder")
        # The verb's module brings numpy and astropy along: --help and --version do without. A
        # Ctrl-C amid that waits, for Python's own imports can lose it.
        with interrupts_held():
            verb = importlib.import_module(f".{arguments.verb}", __package__)
        status = int(verb.run(arguments))
        # What is still held back goes out here: at the end of Python nobody could mend a failure.
        sys.stdout.flush()
        return status
    except InputError as error:
        return _say(str(error), 2)
    except BrokenProcessPool:
        return _say("a worker process was stopped (too little memory?); try again with --jobs 1", 2)
    except BrokenPipeError:
        # The reader of our output has left; Python is not to try again when it ends (its manual,
        # signal module, note on SIGPIPE).
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as error:
        # A full disk, a drive that was pulled out: nothing that we or the person did wrong.
        what = error.filename or "reading or writing failed"
        return _say(f"{what}: {(error.strerror or str(error)).lower()}", 2)
    except KeyboardInterrupt:
        return _say("stopped; no results were written", 130)


def _say(sentence: str, status: int) -> int:
    print(f"starsize: {printable(sentence)}", file=sys.stderr)
    return status
