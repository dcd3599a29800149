"""Run the whole test suite with nothing but Python on the machine.

    python3 scripts/test.py [OPTION...]     options go to pytest

The first call makes an environment beside the code and installs the package and the test extras.
"""

import os
import sys

import _environment


def main():
    """Prepare, then run the suite on all cores; arguments are handed to pytest."""
    _environment.prepare(extra="test")
    os.chdir(_environment.ROOT)
    print("starsize: running the test suite", flush=True)
    # One numerical thread per worker: the workers already fill the machine.
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # As on a person's machine, what is compiled is kept from one run to the next.
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    given = sys.argv[1:] or ["-n", "auto"]
    return _environment.run(["-m", "pytest", "--doctest-modules"] + given)


if __name__ == "__main__":
    sys.exit(main())
