"""Shells complete verbs, options and files by what we print for them."""

import shutil
import subprocess

import pytest

from starsize.cli import main


@pytest.fixture
def script(tmp_path, capsys):
    with pytest.raises(SystemExit) as ended:
        main(["--print-completion", "bash"])
    assert ended.value.code == 0
    path = tmp_path / "completion.bash"
    path.write_text(capsys.readouterr().out, "utf-8")
    return path


@pytest.mark.skipif(shutil.which("bash") is None, reason="bash is not installed")
@pytest.mark.parametrize(
    ("words", "wanted"),
    [
        (["of"], ["offsets"]),
        (["offsets", "--wat"], ["--watch"]),
        (["offsets", "--setup", "set"], ["setup.toml"]),
        (["simulate", "--s"], ["--scenario", "--seed", "--setup"]),
    ],
    ids=" ".join,
)
def test_bash_completes(script, tmp_path, words, wanted):
    (tmp_path / "setup.toml").touch()
    line = " ".join(f"'{word}'" for word in ["starsize", *words])
    asked = (
        f"source {script}; COMP_WORDS=({line}); COMP_CWORD={len(words)}; "
        'f=$(complete -p starsize | grep -o "\\-F [^ ]*" | cut -c4-); '
        '$f starsize "${COMP_WORDS[COMP_CWORD]}"; printf "%s\\n" "${COMPREPLY[@]}"'
    )
    done = subprocess.run(
        ["bash", "-c", asked], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert sorted(done.stdout.split()) == wanted


@pytest.mark.parametrize("shell", ["zsh", "tcsh"])
def test_other_shells_have_theirs(shell, capsys):
    with pytest.raises(SystemExit):
        main(["--print-completion", shell])
    assert "offsets" in capsys.readouterr().out
