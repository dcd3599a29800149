"""Data flows one way: a module imports only from the layers before its own, and the leaves."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import starsize

PACKAGE = Path(starsize.__file__).parent
LAYERS = (
    "frames", "photometry", "tracking", "curves", "comparison", "night", "plan", "reports",
    "steps", "pipeline", "night_run", "cli",
)  # fmt: skip
LEAVES = {
    "cache", "conventions", "errors", "estimate", "filters", "notebook", "optics",
    "plain", "setup",
}  # fmt: skip
MODULES = sorted(PACKAGE.rglob("*.py"))


def owner(path: Path) -> str:
    """The layer, leaf or top-level module that a file belongs to."""
    relative = path.relative_to(PACKAGE)
    return relative.parts[0] if len(relative.parts) > 1 else relative.stem


def imported(path: Path) -> set[str]:
    """Full dotted names of all modules that a file imports, wherever in the file it does so."""
    package = ("starsize", *path.relative_to(PACKAGE).parts[:-1])
    names = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else ()
            module = ".".join((*base, *(node.module.split(".") if node.module else ())))
            names |= (
                {f"{module}.{alias.name}" for alias in node.names} if not node.module else {module}
            )
    return names


def internal(path: Path) -> set[str]:
    """Layers and leaves of our own that a file imports."""
    parts = (name.split(".") for name in imported(path))
    return {p[1] for p in parts if p[0] == "starsize" and len(p) > 1}


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_module_imports_only_what_comes_before_it(path):
    here = owner(path)
    allowed = LEAVES | {here}
    if here in LAYERS:
        allowed |= set(LAYERS[: LAYERS.index(here)])
    if here == "cli":
        allowed |= {"simulate", "__version__"}
    if here == "reports":
        allowed |= {"__version__"}
    if here == "simulate":
        allowed |= {"frames"}
    if here in ("__init__", "__main__"):
        allowed |= set(LAYERS)
    if here in LEAVES:
        allowed = LEAVES
    if here == "photometry":
        # Arrays in, numbers out: no files, no setup.
        allowed = {here} | LEAVES - {"setup"}
    assert internal(path) <= allowed


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_matplotlib_is_imported_in_one_place_only(path):
    uses = any(name.split(".")[0] == "matplotlib" for name in imported(path))
    assert not uses or path.relative_to(PACKAGE).as_posix().startswith("reports/figures")


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_no_module_outgrows_four_hundred_lines(path):
    assert len(path.read_text("utf-8").splitlines()) <= 400


def sizes(path: Path) -> list[tuple[str, int, int]]:
    """Name, lines without the docstring, and number of parameters of each function."""
    found = []
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            said = node.body[0] if ast.get_docstring(node) else None
            doc = said.end_lineno - said.lineno + 1 if said else 0
            every = [
                a.arg for a in (*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs)
            ]
            own = [name for name in every if name not in ("self", "cls")]
            found.append((node.name, node.end_lineno - node.lineno + 1 - doc, len(own)))
    return found


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_functions_stay_small(path):
    """60 lines without the docstring; 8 parameters, 7 of a private one."""
    # A night takes what measure_offsets takes, and the growth beside.
    granted = {"measure_night": 9}
    large = [
        (name, lines, count)
        for name, lines, count in sizes(path)
        if lines > 60 or count > granted.get(name, 7 if name.startswith("_") else 8)
    ]
    assert large == []


def test_importing_the_package_loads_no_plotting_library():
    code = "import starsize, sys; sys.exit('matplotlib' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_the_main_job_loads_no_plotting_library_before_it_draws():
    code = "import starsize.cli.offsets, sys; sys.exit('matplotlib' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@pytest.mark.parametrize("call", [["--version"], ["offsets", "nowhere"]])
def test_help_and_wrong_calls_load_no_numerical_library(call):
    code = (
        "import sys, contextlib\n"
        "from starsize.cli import main\n"
        f"with contextlib.suppress(SystemExit): main({call})\n"
        "sys.exit('scipy' in sys.modules or 'photutils' in sys.modules)"
    )
    assert (
        subprocess.run([sys.executable, "-c", code], check=False, capture_output=True).returncode
        == 0
    )
