"""Keep rules, limits and pruning as a user meets them, on an invented night."""

import json
import os
import shutil

import pytest

from coldframe import recovery
from coldframe.cli.main import run_command_line


@pytest.fixture(scope="module")
def night(demo_night):
    return demo_night("mono").folder


@pytest.fixture
def call(capsys):
    def run(*args):
        code = run_command_line(list(map(str, args)))
        out = capsys.readouterr()
        return code, out.out, out.err

    return run


def files(folder):
    return {p.name: p.read_bytes() for p in folder.glob("*.*") if p.suffix in (".fits", ".tiff")}


def to_do(call, night, output, *more):
    code, out, err = call("plan", night, "-o", output, "--no-library", "--json", *more)
    assert code == 0, err
    return json.loads(out)


def test_a_night_that_keeps_masters_only(night, demo_run, call, tmp_path):
    full, lean = demo_run("mono").output, tmp_path / "lean"
    planned = to_do(call, night, lean)["estimate"]
    code, _, err = call("run", night, "-o", lean, "--no-library", "--store-keeps", "masters")
    assert code == 0, err
    assert files(lean) == files(full)
    sizes = {}
    for output in (full, lean):
        code, out, _ = call("store", "size", output, "--json")
        assert code == 0
        sizes[output] = json.loads(out)
    assert sizes[lean]["bytes"] < 0.75 * sizes[full]["bytes"]
    assert sizes[lean]["bytes"] <= planned["disk_by_rule"]["masters"]["after"]
    assert sizes[full]["bytes"] <= planned["disk_by_rule"]["all"]["after"]
    assert sizes[lean]["kinds"]["stack"] == sizes[full]["kinds"]["stack"]
    (run,) = sizes[lean]["runs"]
    assert run["output"] == str(lean)
    assert run["there"]
    assert to_do(call, night, lean)["tasks"]["to_do"] == 0
    # One light stays at every stage, so that the report can still show before and after.
    for output in (full, lean):
        report = (output / "report.html").read_text()
        assert "One light and the stack" in report
        assert "A raw light and the same light calibrated" in report
    manifest = json.loads((lean / "coldframe-run.json").read_text())
    assert all(f["measures"] for f in manifest["frames"] if f["used"] and f["kind"] == "light")


def test_pruning_by_command(night, demo_run, call, tmp_path):
    output = tmp_path / "out"
    shutil.copytree(demo_run("mono").output / "store", output / "store")
    assert call("run", night, "-o", output, "--no-library")[0] == 0
    before = files(output)
    code, out, _ = call("store", "prune", output)
    assert code == 0
    assert out.startswith("0 B freed")  # all of it is used
    code, out, _ = call("store", "prune", output, "--keep", "masters", "--dry-run", "--json")
    said = json.loads(out)
    assert code == 0
    assert said["kinds"] == {"frame": said["kinds"]["frame"]}
    code, out, _ = call("store", "prune", output / "store", "--keep", "masters", "--json")
    done = json.loads(out)
    assert {**done, "dry_run": True} == said
    assert json.loads(call("store", "size", output, "--json")[1])["bytes"] == pytest.approx(
        done["left"], rel=1e-3
    )
    assert to_do(call, night, output)["tasks"]["to_do"] == 0
    # Another setting needs the frames again; back at the first one the bytes are the same.
    again = tmp_path / "again"
    more = ("--no-library", "--store", output / "store")
    assert call("run", night, "-o", again, *more, "--with", "stack.weights=equal")[0] == 0
    assert call("run", night, "-o", again, *more)[0] == 0
    assert files(again) == before
    code, out, _ = call("store", "prune", output)
    assert code == 0
    assert "masters, stacks and results" in out  # those of the other setting


def test_a_store_in_use_is_exit_code_1(night, call, tmp_path):
    store = tmp_path / "store"
    (store / "ab").mkdir(parents=True)
    (store / "ab" / "abc.json").write_text("{}")
    (store / recovery.MARKS).mkdir()
    parent = os.getppid()
    mark = {**recovery._myself(), "pid": parent, "began": recovery._began(parent)}
    (store / recovery.MARKS / "m.json").write_text(json.dumps(mark))
    code, _, err = call("store", "prune", store)
    assert code == 1
    assert "a run is using" in err


def test_no_store_is_exit_code_2(call, tmp_path):
    for command in ("size", "prune"):
        code, _, err = call("store", command, tmp_path)
        assert code == 2
        assert "there is no store in" in err


def test_too_little_memory_is_told_before_the_start(night, call, tmp_path):
    code, _, err = call("run", night, "-o", tmp_path / "o", "--no-library", "--memory", "100MiB")
    assert code == 2
    assert "--memory 100.0 MiB is too little" in err
    least = int(err.split("Give --memory ")[1].split("MiB")[0])
    found = to_do(call, night, tmp_path / "o")["estimate"]["least_memory"]
    assert least == -(-found // (1 << 20))
    assert not (tmp_path / "o").exists()


def test_the_plan_tells_memory_and_disk(night, call, tmp_path):
    code, out, _ = call("plan", night, "-o", tmp_path / "o", "--no-library")
    assert code == 0
    assert "--memory must be" in out
    assert f"in {tmp_path / 'o' / 'store'}, of which" in out
    found = to_do(call, night, tmp_path / "o", "--store-keeps", "results")["estimate"]
    assert found["disk"] == found["disk_by_rule"]["results"]["peak"]
    assert found["disk_after"] <= found["disk"]


@pytest.mark.parametrize("command", ["size", "prune"])
def test_help_has_examples(call, command):
    code, out, _ = call("store", command, "--help")
    assert code == 0
    assert f"coldframe store {command} reeds" in out
