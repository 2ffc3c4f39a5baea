"""The command line: listings, JSON, help, logs."""

import json
import subprocess
import sys

import pytest
import yaml

from coldframe.cli.main import COMMANDS, run_command_line


def ok(capsys, *args):
    assert run_command_line(list(args)) == 0
    return capsys.readouterr().out


def test_help_names_every_command_and_each_has_help(capsys):
    text = ok(capsys, "--help")
    for name in COMMANDS:
        assert f"\n  {name} " in text
        assert "Usage: coldframe" in ok(capsys, name, "--help")


def test_help_is_quick_because_nothing_heavy_is_imported():
    code = (
        "import sys; from coldframe.cli.main import run_command_line;"
        "run_command_line(['--help']);"
        "print([m for m in ('numba', 'astropy', 'scipy', 'dask', 'matplotlib', 'sep', 'numpy') "
        "if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"


def test_recipes_are_listed_shown_and_checked(capsys, tmp_path):
    listed = json.loads(ok(capsys, "recipe", "list", "--json"))
    names = [r["name"] for r in listed]
    table = ok(capsys, "recipe", "list")
    for name in names:
        assert name in table
        shown = ok(capsys, "recipe", "show", name)
        path = tmp_path / f"{name}.yaml"
        path.write_text(shown)
        # What is shown is itself a recipe that says the same, with nothing left to extend.
        assert "good" in ok(capsys, "recipe", "check", str(path))
        assert yaml.safe_load(shown)["name"] == name
        assert json.loads(ok(capsys, "recipe", "show", str(path), "--json")) == json.loads(
            ok(capsys, "recipe", "show", name, "--json")
        )


def test_show_applies_overrides(capsys):
    shown = json.loads(
        ok(capsys, "recipe", "show", "camera-lens", "--with", "stack.reject=mad-clip", "--json")
    )
    assert shown["steps"]["stack"]["with"]["reject"] == "mad-clip"


def test_check_gives_faults_as_json_and_code_2(capsys, tmp_path):
    path = tmp_path / "bad.yaml"
    path.write_text(
        "recipe: 1\nname: bad\nabout: b\nextends: camera-lens\nsteps:\n  stack: {uze: 1}\n"
    )
    assert run_command_line(["recipe", "check", str(path), "--json"]) == 2
    found = json.loads(capsys.readouterr().out)
    assert not found["ok"]
    assert found["problems"] == [
        {
            "file": str(path),
            "line": 6,
            "column": 11,
            "message": "unknown key 'uze'; did you mean 'use'?",
        }
    ]


def test_schema_is_json_with_every_step(capsys):
    schema = json.loads(ok(capsys, "recipe", "schema"))
    use = schema["properties"]["steps"]["additionalProperties"]["properties"]["use"]["enum"]
    assert {"combine", "calibrate", "register", "integrate", "background-fit"} <= set(use)


def test_every_step_tells_its_origin_parameters_units_and_sources(capsys):
    listing = json.loads(ok(capsys, "steps", "--json"))
    assert listing["broken"] == {}
    for step in listing["steps"]:
        assert step["about"]
        assert step["package"] == "coldframe"
        assert step["sources"], step["name"]
        for name, schema in step["params"].items():
            assert schema["description"], (step["name"], name)
            assert "default" in schema
        alone = ok(capsys, "steps", step["name"])
        assert step["sources"][0].split(",")[0][:30] in alone
        for name in (*step["params"], *step["columns"]):
            assert name in alone


def test_writers_tell_their_options(capsys):
    assert "planes" in ok(capsys, "steps", "fits")
    (png,) = json.loads(ok(capsys, "steps", "png", "--json"))["writers"]
    assert set(png["params"]) >= {"stretch", "max_side"}


def test_every_listed_name_can_be_asked_for_with_what_it_reads(capsys):
    listing = json.loads(ok(capsys, "steps", "--json"))
    for what in ("steps", "readers", "writers"):
        for facts in listing[what]:
            alone = json.loads(ok(capsys, "steps", facts["name"], "--json"))
            assert facts in alone[what]
            assert all(f["name"] == facts["name"] for group in alone.values() for f in group)
    fits = ok(capsys, "steps", "fits")
    assert "reader fits 1: FITS images" in fits  # a reader and a writer are called so
    assert " .fits.gz" in fits
    assert "writer fits" in fits
    assert run_command_line(["steps", "camera-rax"]) == 2
    assert "did you mean 'camera-raw'" in capsys.readouterr().err


def test_a_log_file_takes_everything(capsys, tmp_path):
    (tmp_path / "empty").mkdir()
    log = tmp_path / "run.log"
    args = ["plan", str(tmp_path / "empty"), "--log", str(log), "-v"]
    assert run_command_line(args) == 2
    assert log.exists()
    assert run_command_line(["plan", ".", "--log", "/nowhere/at/all.log"]) == 2
    assert "cannot write the log" in capsys.readouterr().err


@pytest.mark.parametrize("text", ["2GiB", "2 gib", "2G", "2048M", "2147483648"])
def test_memory_is_given_as_people_write_it(text):
    from coldframe.cli.options import Size

    assert Size().convert(text, None, None) == 2 << 30


def test_size_and_time_are_shown_for_people():
    from coldframe.cli.show import bytes_text, seconds_text

    assert bytes_text(1536) == "2 KiB"
    assert bytes_text(3 << 30) == "3.0 GiB"
    assert seconds_text(59.6) == "60 s"
    assert seconds_text(600) == "10 min"
    assert seconds_text(7200) == "2.0 h"
