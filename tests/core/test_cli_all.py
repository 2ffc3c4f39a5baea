"""What holds for every command: --json, help with examples, exit codes, completion, colours."""

import io
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import click
import pytest
from command_walk import EVERY, LEAVES, name_of

import coldframe.cli
from coldframe.cli.complete import recipe_names, settings, step_names
from coldframe.cli.completion import SHELLS
from coldframe.cli.main import run_command_line
from coldframe.cli.show import print_table
from coldframe.errors import SetAside, StepError, UsageError

every = pytest.mark.parametrize("path", EVERY, ids=name_of)
leaves = pytest.mark.parametrize("path", LEAVES, ids=name_of)

CLI = Path(coldframe.cli.__file__).parent

NO_JSON = {
    ("recipe", "schema"): "prints JSON and nothing else",
    ("completion",): "prints a script for a shell",
}


@leaves
def test_takes_json(path):
    options = [option for param in LEAVES[path].params for option in param.opts]
    assert ("--json" in options) != (path in NO_JSON)


@every
def test_help_has_examples_of_this_very_command(path, capsys):
    assert run_command_line([*path, "--help"]) == 0
    told = capsys.readouterr().out
    assert re.search(rf"^  coldframe {' '.join(path)}\b", told, re.M), "no example in its help"


@every
def test_every_option_says_what_it_does(path):
    for param in EVERY[path].params:
        if isinstance(param, click.Option):
            assert param.help, f"{param.opts} has no help"


@every
def test_wrong_use_is_2_in_a_few_words(path, capsys):
    assert run_command_line([*path, "--no-such-option"]) == 2
    told = capsys.readouterr().err
    assert "--no-such-option" in told
    assert "Traceback" not in told


class Callback:
    """Stands in for what a command does."""

    def __init__(self, outcome):
        self.outcome = outcome

    def __call__(self, *args, **kwargs):
        if self.outcome is not None:
            raise self.outcome


@pytest.mark.parametrize(
    ("outcome", "code", "said"),
    [
        (None, 0, ""),
        (StepError("no frame is left"), 1, "coldframe: no frame is left\n"),
        (SetAside("cut short"), 1, "coldframe: cut short\n"),
        (OSError("disk full"), 1, "something unexpected failed (OSError: disk full)"),
        (UsageError("no such night"), 2, "coldframe: no such night\n"),
        (KeyboardInterrupt(), 130, "stopped. Finished work is kept"),
        (click.Abort(), 130, "stopped. Finished work is kept"),
    ],
    ids=["done", "failed", "aside", "unexpected", "wrong", "ctrl-c", "abort"],
)
@leaves
def test_exit_codes(path, outcome, code, said, monkeypatch, capsys):
    command = LEAVES[path]
    monkeypatch.setattr(command, "callback", Callback(outcome))
    for param in command.params:
        monkeypatch.setattr(param, "required", False)
    assert run_command_line([*path]) == code
    told = capsys.readouterr().err
    assert said in told
    assert "Traceback" not in told
    if path in NO_JSON:
        return
    assert run_command_line([*path, "--json"]) == code
    told = capsys.readouterr().out
    if outcome is None:
        assert told == ""
    else:
        error = json.loads(told)["error"]
        assert error["exit_code"] == code
        assert said.removeprefix("coldframe: ").strip() in error["message"]


@pytest.mark.parametrize("shell", SHELLS)
def test_completion_script_names_the_command(shell, capsys):
    assert run_command_line(["completion", shell]) == 0
    script = capsys.readouterr().out
    assert "_COLDFRAME_COMPLETE" in script
    assert f"{shell}_complete" in script


def test_the_shell_is_offered_commands_recipes_and_settings():
    for line, offered in (
        ("coldframe li", {"library"}),
        ("coldframe recipe sh", {"show"}),
        ("coldframe run --recipe cooled", {"cooled-colour", "cooled-mono"}),
        ("coldframe run --sched", {"--scheduler"}),
        ("coldframe run --recipe camera-lens --with stack.rej", {"stack.reject="}),
    ):
        words = line.split()
        env = {
            **os.environ, "_COLDFRAME_COMPLETE": "bash_complete", "COMP_WORDS": line,
            "COMP_CWORD": str(len(words) - 1),
        }  # fmt: skip
        done = subprocess.run(
            [sys.executable, "-m", "coldframe.cli"],
            env=env, capture_output=True, text=True, check=True,
        )  # fmt: skip
        assert {row.split(",")[1] for row in done.stdout.splitlines()} == offered, line


def test_what_is_offered_is_there(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "mine.yaml").write_text("recipe: 1\n")
    context = click.Context(LEAVES[("run",)])
    assert recipe_names(context, None, "mi") == ["mine.yaml"]
    assert step_names(context, None, "comb") == ["combine"]
    assert "inspect.cloud=" in settings(context, None, "inspect.cl")
    context.params["recipe"] = "mine.yaml"  # not a whole recipe: nothing to offer, no fault
    assert settings(context, None, "stack.") == []


def table(monkeypatch, width=None, **env):
    """What print_table writes, where the environment says so."""
    for name in ("NO_COLOR", "FORCE_COLOR", "COLUMNS", "TERM"):
        monkeypatch.delenv(name, raising=False)
    for name, value in env.items():
        monkeypatch.setenv(name, value)
    out = io.StringIO()
    monkeypatch.setattr(sys, "stdout", out)
    print_table("Steps", ["name", "about"], [["combine", "word " * 40], ["x", "last"]])
    return out.getvalue()


COLOUR = re.compile(r"\x1b\[[0-9;]*3[0-7]m")


def test_a_row_is_one_line_in_a_pipe_and_no_line_ends_in_blanks(monkeypatch):
    lines = table(monkeypatch).splitlines()
    assert lines == [line.rstrip() for line in lines]
    assert [line.split() for line in lines] == [
        ["Steps"], ["name", "about"], ["combine", *["word"] * 40], ["x", "last"],
    ]  # fmt: skip
    assert lines[2].index("word") == lines[3].index("last") == lines[1].index("about")


def test_a_table_in_a_pipe_folds_into_the_columns_that_were_asked_for(monkeypatch):
    told = table(monkeypatch, COLUMNS="30")
    assert max(map(len, told.splitlines())) <= 30
    assert told.count("word") == 40


@pytest.mark.parametrize(
    "args",
    [["steps"], ["steps", "integrate"], ["recipe", "list"], ["camera", "list"],
     ["store", "size", "OUT"], ["match", "NIGHT", "--all"], ["plan", "NIGHT", "-o", "OUT"],
     ["inspect", "NIGHT", "--all"], ["shotlist", "NIGHT"], ["explain", "PRODUCT"]],
    ids=" ".join,
)  # fmt: skip
def test_listings_are_for_grep_in_a_pipe(args, tiny_run, tmp_path, monkeypatch, capsys):
    """No escape sequence, no blanks at the end of a line; what stands in JSON stands in one line."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    monkeypatch.delenv("COLUMNS", raising=False)
    places = {
        "NIGHT": str(tiny_run[0]),
        "OUT": str(tiny_run[1]),
        "PRODUCT": next(map(str, tiny_run[1].glob("*-stack.fits"))),
    }
    args = [places.get(word, word) for word in args]
    assert run_command_line(args) == 0
    told = capsys.readouterr().out
    assert "\x1b" not in told
    assert not re.search(r"[ \t]$", told, re.M)
    assert run_command_line([*args, "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    for key in ("reason", "why"):
        for row in _rows(facts):
            if row.get(key) and row.get("verdict", "set aside") == "set aside":
                words = " ".join(str(row[key]).split())
                assert words in told, f"{key} of {row} is not in one line"


def _rows(facts):
    if isinstance(facts, dict):
        yield facts
        facts = list(facts.values())
    for each in facts if isinstance(facts, list) else ():
        yield from _rows(each)


def test_only_one_place_decides_about_colours():
    """Else one of them forgets NO_COLOR."""
    found = [p.name for p in CLI.glob("*.py") if re.search(r"(?<!def )\bConsole\(", p.read_text())]
    assert found == ["show.py"]


@pytest.mark.parametrize("args", ["steps", "recipe schema", "--help"])
def test_a_reader_who_leaves_is_no_failure(args):
    line = f"set -o pipefail; {sys.executable} -m coldframe.cli {args} | head -1"
    done = subprocess.run(["bash", "-c", line], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout


def test_a_reader_of_messages_who_leaves_does_not_end_the_work(tmp_path):
    """Standard error is a pipe whose other end is closed; the work goes on to its end."""
    code = (
        "import os, sys; read, write = os.pipe(); os.close(read); os.dup2(write, 2);"
        "from coldframe.cli.show import tell; tell('one'); tell('two');"
        f"open({str(tmp_path / 'done')!r}, 'w')"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
    assert (tmp_path / "done").exists()


def test_tables_are_coloured_on_a_terminal_but_not_with_no_color(monkeypatch):
    assert COLOUR.search(table(monkeypatch, FORCE_COLOR="1", TERM="xterm"))
    plain = table(monkeypatch, FORCE_COLOR="1", TERM="xterm", NO_COLOR="1")
    assert "\x1b" not in plain  # nor bold
    assert "combine" in plain


def test_tables_fold_into_a_narrow_terminal(monkeypatch):
    told = table(monkeypatch, FORCE_COLOR="1", NO_COLOR="1", TERM="xterm", COLUMNS="30")
    bare = re.sub(r"\x1b\[[0-9;]*m", "", told)
    assert max(map(len, bare.splitlines())) <= 30
    assert bare.count("word") == 40
    assert "last" in bare


@pytest.mark.parametrize("args", [["recipe", "list"], ["completion", "zsh"], ["--version"]])
def test_quick_listings_import_nothing_heavy(args):
    heavy = ("numba", "astropy", "scipy", "dask", "matplotlib", "sep", "numpy", "jsonschema")
    code = (
        "import sys; from coldframe.cli.main import run_command_line;"
        f"run_command_line({args!r});"
        f"print([m for m in {heavy!r} if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"


def test_json_is_json(capsys):
    for args in (["steps"], ["recipe", "list"], ["recipe", "show", "camera-lens"],
                 ["camera", "list"]):  # fmt: skip
        assert run_command_line([*args, "--json"]) == 0
        json.loads(capsys.readouterr().out)


def test_faults_of_a_file_begin_with_its_place_so_that_editors_find_it(tmp_path, capsys):
    recipe = tmp_path / "r.yaml"
    recipe.write_text("recipe: 1\nname: a\nname: b\n")
    (tmp_path / "a.fits").write_bytes(b"")
    assert run_command_line(["recipe", "check", str(recipe)]) == 2
    assert capsys.readouterr().err.startswith(f"{recipe}:3:1: 'name' is given twice")
    for words in (
        ["recipe", "check", str(tmp_path / "none.yaml")],
        ["camera", "advise", str(tmp_path / "none")],
        ["plan", str(tmp_path), "--camera", str(tmp_path / "none.yaml")],
    ):
        assert run_command_line(words) == 2
        assert "no such file" in capsys.readouterr().err
