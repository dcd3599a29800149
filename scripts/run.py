"""Measure focus offsets with nothing but Python on the machine.

    python3 scripts/run.py                     the invented demo night in testdata/
    python3 scripts/run.py FRAMES... [OPTION]  your own frames; options as of 'starsize offsets'

The first call makes an environment beside the code and installs the package there.
"""

import os
import sys

import _environment

DEMO = os.path.join(_environment.ROOT, "testdata", "demo_night")


def main():
    """Prepare, then hand over to the command line."""
    arguments = sys.argv[1:]
    _environment.prepare()
    if not arguments:
        print("starsize: measuring the invented demo night in testdata/demo_night", flush=True)
        arguments = [DEMO, "--setup", os.path.join(DEMO, "setup.toml")]
    return _environment.run(["-m", "starsize", "offsets"] + arguments)


if __name__ == "__main__":
    sys.exit(main())
