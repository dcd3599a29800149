"""The suite against the oldest and the newest packages that pyproject.toml allows.

    python scripts/check_dependencies.py oldest [--quick] [--keep] [TEST...]
    python scripts/check_dependencies.py newest [--python python3.13] [TEST...]

Makes an environment in a temporary folder, installs the package there with the lower bounds pinned
(or the newest of everything), every extra included, and runs the tests named, or all; with
``--quick`` those that touch every package we need, in minutes. What pip's names and versions are
in the end is printed first. With ``--keep`` they go into ``scripts/results/packages.md``, with how
the tests ended. Exit status: that of pytest.
"""

import argparse
import os
import re
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

from _results import RESULTS, write_section

ROOT = Path(__file__).parents[1]
EXTRAS = ("raw", "cluster", "test")
ALL = ("tests", "starsize", "--doctest-modules")
QUICK = (
    "tests/frames", "tests/photometry", "tests/optics/test_pupil.py", "tests/test_cache.py",
    "tests/comparison/test_linear.py", "tests/curves/test_plain.py",
    "tests/simulate/test_write.py",
    "tests/reports/test_figures.py", "tests/reports/test_page.py", "tests/reports/test_writer.py",
    "tests/cli/test_cluster.py", "tests/cli/test_completion.py", "tests/cli/test_verbs.py",
    "tests/test_public_api.py",
)  # fmt: skip


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("which", choices=("oldest", "newest"))
    parser.add_argument("--python", default=sys.executable, help="interpreter to check with")
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--keep", action="store_true")
    parser.add_argument("tests", nargs="*")
    asked = parser.parse_args()
    tests = asked.tests or (QUICK if asked.quick else ALL)
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder) / "env"
        subprocess.run([asked.python, "-m", "venv", home], check=True)
        python = str(home / ("Scripts/python.exe" if os.name == "nt" else "bin/python"))
        pip = [python, "-m", "pip", "--quiet", "--disable-pip-version-check"]
        pins = Path(folder) / "pins.txt"
        pins.write_text("\n".join(lower_bounds() if asked.which == "oldest" else []))
        wanted = f"{ROOT}[{','.join(EXTRAS)}]"
        subprocess.run([*pip, "install", "--upgrade", "-c", pins, wanted], check=True)
        needed = {name.lower() for name, _ in bounds()}
        versions = [told(python, "-c", "import sys; print('python', sys.version.split()[0])")]
        versions += [
            one for one in told(*pip, "freeze").splitlines() if one.split("==")[0].lower() in needed
        ]
        print("\n".join(versions), flush=True)
        call = [python, "-m", "pytest", "-q", "-n", "auto", "-p", "no:cacheprovider", *tests]
        environment = {**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"}
        ran = subprocess.run(
            call, cwd=ROOT, env=environment, stdout=subprocess.PIPE, text=True, check=False
        )
    print(ran.stdout)
    if asked.keep:
        which = f"{asked.which.capitalize()} packages, {versions[0]}"
        ended = ran.stdout.strip().splitlines()[-1].strip("= ")
        said = f"{ended}\n\n{', '.join(versions[1:])}\n\nTests: {' '.join(tests)}"
        write_section(which, said, script="check_dependencies.py", file=RESULTS / "packages.md")
    return ran.returncode


def told(*call: str | Path) -> str:
    return subprocess.run(call, check=True, capture_output=True, text=True).stdout.strip()


def lower_bounds() -> list[str]:
    """Pin each package to the newest fix of the oldest release allowed: ``numpy==2.0.*``."""
    return [f"{name}=={bound}.*" for name, bound in bounds()]


def bounds() -> list[tuple[str, str]]:
    """Name and lower bound of each package, as ``pyproject.toml`` states them."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    extras = project["optional-dependencies"]
    needs = [*project["dependencies"], *(one for extra in EXTRAS for one in extras[extra])]
    found = (re.match(r"([\w-]+)>=([\d.]+)", one) for one in needs)
    return [(one[1], one[2]) for one in found if one]


if __name__ == "__main__":
    sys.exit(main())
