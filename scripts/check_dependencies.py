"""The suite against the oldest and the newest packages that pyproject.toml allows.

    python scripts/check_dependencies.py oldest [TEST...]
    python scripts/check_dependencies.py newest [--python python3.13] [TEST...]

Makes an environment in a temporary folder, installs the package there with the lower bounds pinned
(or the newest of everything), every extra included, and runs the tests named, or all. What pip's
names and versions are in the end is printed first. Exit status: that of pytest.
"""

import argparse
import os
import re
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[1]
EXTRAS = ("raw", "cluster", "test")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("which", choices=("oldest", "newest"))
    parser.add_argument("--python", default=sys.executable, help="interpreter to check with")
    parser.add_argument("tests", nargs="*", default=["tests", "starsize", "--doctest-modules"])
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder) / "env"
        subprocess.run([asked.python, "-m", "venv", home], check=True)
        python = home / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
        install: list[str | Path] = [
            python,
            "-m",
            "pip",
            "install",
            "--quiet",
            "--disable-pip-version-check",
        ]
        pins = Path(folder) / "pins.txt"
        pins.write_text("\n".join(lower_bounds() if asked.which == "oldest" else []))
        wanted = f"{ROOT}[{','.join(EXTRAS)}]"
        subprocess.run([*install, "--upgrade", "-c", pins, wanted], check=True)
        subprocess.run([python, "-m", "pip", "freeze"], check=True)
        tests = [python, "-m", "pytest", "-q", "-p", "no:cacheprovider", *asked.tests]
        environment = {**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"}
        return subprocess.run(tests, cwd=ROOT, env=environment, check=False).returncode


def lower_bounds() -> list[str]:
    """Pin each package to the newest fix of the oldest release allowed: ``numpy==2.0.*``."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    extras = project["optional-dependencies"]
    needs = [*project["dependencies"], *(one for extra in EXTRAS for one in extras[extra])]
    found = (re.match(r"([\w-]+)>=([\d.]+)", one) for one in needs)
    return [f"{one[1]}=={one[2]}.*" for one in found if one]


if __name__ == "__main__":
    sys.exit(main())
