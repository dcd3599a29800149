"""Make the environment beside the code, once, and run a command in it.

Shared by run.py and test.py. Written so that an old Python can still read it and say so.
"""

import hashlib
import json
import os
import shutil
import subprocess
import sys

ROOT = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
HOME = os.path.join(ROOT, ".venv-starsize")
STAMP = os.path.join(HOME, "installed.json")
LOG = os.path.join(HOME, "install.log")
OLDEST = (3, 11)


def python():
    """Path of the environment's own Python."""
    if os.name == "nt":
        return os.path.join(HOME, "Scripts", "python.exe")
    return os.path.join(HOME, "bin", "python")


def stop(sentence):
    """Leave with one clear line."""
    sys.exit("starsize: " + sentence)


def prepare(extra=""):
    """Make the environment and install the package with one extra, unless that is done already."""
    if sys.version_info < OLDEST:
        stop(
            "this needs Python {}.{} or newer, but {} is {}.{}; start the script with a newer one".format(
                OLDEST[0], OLDEST[1], sys.executable, sys.version_info[0], sys.version_info[1]
            )
        )
    wanted = fingerprint()
    done = read_stamp()
    if done.get("fingerprint") == wanted and extra in done.get("extras", []):
        return
    if done.get("fingerprint") != wanted:
        make_environment()
        done = {"extras": []}
    print(
        "starsize: installing the package and what it needs into {} (a few minutes the first time)".format(
            os.path.basename(HOME)
        ),
        flush=True,
    )
    install(extra)
    # The test extra holds everything that the plain install does.
    extras = sorted(set(done["extras"]) | {extra, ""})
    with open(STAMP, "w", encoding="utf-8") as file:
        json.dump({"fingerprint": wanted, "extras": extras}, file)


def fingerprint():
    """Change of Python, of place or of the project's needs means a new environment."""
    with open(os.path.join(ROOT, "pyproject.toml"), "rb") as file:
        needs = hashlib.sha256(file.read()).hexdigest()
    return "{} {} {}".format(sys.version, ROOT, needs)


def read_stamp():
    """What was installed last time; nothing if that cannot be told or the environment is broken."""
    try:
        with open(STAMP, encoding="utf-8") as file:
            stamp = json.load(file)
        return stamp if os.path.exists(python()) else {}
    except (OSError, ValueError):
        return {}


def make_environment():
    """A fresh, empty environment; a half-made one of an earlier try is removed first."""
    print("starsize: making an environment in {}".format(os.path.basename(HOME)), flush=True)
    shutil.rmtree(HOME, ignore_errors=True)
    made = subprocess.run(
        [sys.executable, "-m", "venv", HOME],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        universal_newlines=True,
        check=False,
    )
    if made.returncode:
        stop(
            "Python's venv module could not make {} (is the venv package of your system installed, "
            "on Debian 'apt install python3-venv', and is the folder writable?)".format(HOME)
        )


def install(extra):
    """Install in place, so that a change of the code needs no new install."""
    target = ROOT + ("[{}]".format(extra) if extra else "")
    command = [python(), "-m", "pip", "install", "--disable-pip-version-check", "-e", target]
    with open(LOG, "w", encoding="utf-8") as log:
        failed = subprocess.run(command, stdout=log, stderr=log, check=False).returncode
    if failed:
        with open(LOG, encoding="utf-8", errors="replace") as log:
            errors = [line.strip() for line in log if line.startswith("ERROR")]
        why = errors[0] if errors else "see the log"
        stop(
            "the packages could not be installed (no network?): {} -- all that pip said is in {}".format(
                why, LOG
            )
        )


def run(arguments):
    """Run the environment's Python and hand back its exit status."""
    # Ctrl-C reaches that process too: let it stop as it knows how, instead of killing it.
    child = subprocess.Popen([python()] + arguments)
    while True:
        try:
            return child.wait()
        except KeyboardInterrupt:
            continue
