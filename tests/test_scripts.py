"""The two commands for a fresh machine say what is wrong in one line."""

import ast
import importlib
import importlib.util
import json
import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

SCRIPTS = Path(__file__).parents[1] / "scripts"


@pytest.fixture
def environment(tmp_path, monkeypatch):
    """The shared script as a module, its environment folder moved to a temporary place."""
    spec = importlib.util.spec_from_file_location("_environment", SCRIPTS / "_environment.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    home = tmp_path / "env"
    monkeypatch.setattr(module, "HOME", str(home))
    monkeypatch.setattr(module, "STAMP", str(home / "installed.json"))
    monkeypatch.setattr(module, "LOG", str(home / "install.log"))
    return module


def test_an_old_python_is_told_so(environment, monkeypatch):
    monkeypatch.setattr(environment.sys, "version_info", (3, 9, 1))
    with pytest.raises(SystemExit, match=r"needs Python 3\.11 or newer"):
        environment.prepare()


def test_a_python_without_venv_is_told_what_to_install(environment, monkeypatch):
    monkeypatch.setattr(
        environment.subprocess, "run", lambda *_, **__: SimpleNamespace(returncode=1)
    )
    with pytest.raises(SystemExit, match="venv module"):
        environment.prepare()


def test_a_failed_install_quotes_the_first_error_and_leaves_no_stamp(environment, monkeypatch):
    def run(command, stdout=None, **_):
        if "pip" in command:
            stdout.write("ERROR: no route to host\n")
            return SimpleNamespace(returncode=1)
        Path(environment.HOME).mkdir()
        return SimpleNamespace(returncode=0)

    monkeypatch.setattr(environment.subprocess, "run", run)
    with pytest.raises(SystemExit, match="no route to host"):
        environment.prepare()
    assert not Path(environment.STAMP).exists()


def test_nothing_is_installed_twice(environment, monkeypatch):
    calls = []

    def run(command, **_):
        calls.append(command)
        Path(environment.python()).parent.mkdir(parents=True, exist_ok=True)
        Path(environment.python()).touch()
        return SimpleNamespace(returncode=0)

    monkeypatch.setattr(environment.subprocess, "run", run)
    environment.prepare()
    assert len(calls) == 2
    environment.prepare()
    assert len(calls) == 2
    environment.prepare(extra="test")
    assert len(calls) == 3
    assert json.loads(Path(environment.STAMP).read_text())["extras"] == ["", "test"]


@pytest.mark.parametrize("script", ["_environment.py", "run.py", "test.py"])
def test_the_scripts_use_no_syntax_newer_than_python_3_6(script):
    source = (SCRIPTS / script).read_text("utf-8")
    code = "import ast, sys; ast.parse(sys.stdin.read(), feature_version=(3, 6))"
    subprocess.run([sys.executable, "-c", code], input=source, text=True, check=True)


@pytest.mark.parametrize("script", sorted(SCRIPTS.rglob("*.py")), ids=lambda p: p.name)
def test_each_name_a_script_takes_from_the_package_is_there(script):
    for node in ast.walk(ast.parse(script.read_text("utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("starsize"):
            module = importlib.import_module(node.module)
            assert not [one.name for one in node.names if not hasattr(module, one.name)]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="makes pipes and links")
def test_spoiled_files_change_nothing_of_the_good_ones_beside_them():
    done = subprocess.run(
        [sys.executable, SCRIPTS / "spoiled_folders.py", "--folders", "60", "--seed", "3"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr


def test_spoiled_files_end_in_facts_or_in_one_clear_line():
    done = subprocess.run(
        [sys.executable, SCRIPTS / "mutate.py", "--files", "400", "--seed", "7"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
