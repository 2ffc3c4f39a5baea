"""The run's manifest: its form, what it tells, and that it names nobody."""

import getpass
import json
import re
import socket
from pathlib import Path

import jsonschema
import pytest
import yaml

from coldframe.digests import file_digest
from coldframe.manifest import SCHEMA, unfinished
from coldframe.plugins import find_plugins
from coldframe.recipe import load_recipe
from coldframe.recipe_document import find_recipe

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def schema():
    schema = json.loads(SCHEMA.read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    return schema


@pytest.fixture(scope="module")
def manifest(tiny_run):
    return json.loads((tiny_run[1] / "coldframe-run.json").read_text())


def faults(schema, manifest):
    checker = jsonschema.Draft202012Validator(
        schema, format_checker=jsonschema.Draft202012Validator.FORMAT_CHECKER
    )
    return [error.message for error in checker.iter_errors(manifest)]


def test_a_runs_manifest_is_of_the_shipped_form(schema, manifest):
    assert faults(schema, manifest) == []
    for state in ("watching", "running"):
        assert faults(schema, unfinished(state, "camera-lens")) == []


@pytest.mark.parametrize(
    "spoil",
    [
        lambda m: m.pop("peak_memory"),
        lambda m: m.update(state="perhaps"),
        lambda m: m["files"][0].update(digest="12"),
        lambda m: m["timings"]["stack"].update(seconds="long"),
        lambda m: m.update(surprise=1),
        lambda m: m["recipe"].pop("name"),
    ],
)
def test_the_form_finds_faults(schema, manifest, spoil):
    spoiled = json.loads(json.dumps(manifest))
    spoil(spoiled)
    assert faults(schema, spoiled)


def test_inputs_and_files_are_told_with_their_digests(tiny_run, manifest):
    night, output = tiny_run
    frames = {Path(f["file"]).name: f for f in manifest["frames"]}
    for path in night.rglob("*.DNG"):
        assert frames[path.name]["digest"] == file_digest(path)
        assert frames[path.name]["size"] == path.stat().st_size
    names = [file["name"] for file in manifest["files"]]
    assert sorted(names) == sorted(p.name for p in output.glob("*-*.*") if p.suffix != ".json")
    for file in manifest["files"]:
        assert file["digest"] == file_digest(output / file["name"])
        assert file["product"] in {product["key"] for product in manifest["products"]}


def test_the_recipe_as_run_loads_again_and_says_the_same(tmp_path, manifest):
    file = tmp_path / "again.yaml"
    file.write_text(manifest["recipe"]["text"])
    registry = find_plugins()
    again = load_recipe(file, registry)
    first = load_recipe(find_recipe("camera-lens"), registry)
    assert again.steps == first.steps
    assert again.document == first.document
    assert yaml.safe_load(manifest["recipe"]["text"])["name"] == "camera-lens"


def test_overrides_change_text_and_digest(tmp_path, tiny_run):
    from coldframe.manifest import recipe_text

    registry = find_plugins()
    plain = load_recipe(find_recipe("camera-lens"), registry)
    other = load_recipe(find_recipe("camera-lens"), registry, ["stack.reject=mad-clip"])
    assert "mad-clip" not in recipe_text(plain)
    assert "reject: mad-clip" in recipe_text(other)


def test_timings_and_memory_are_of_the_work_done(manifest):
    times = manifest["timings"]
    assert times["clean"]["frames"] == times["clean"]["tasks"] == 5
    assert times["aligned"]["megapixels"] > 0
    assert times["aligned"]["megapixels_per_second"] == pytest.approx(
        times["aligned"]["megapixels"] / times["aligned"]["seconds"], rel=0.02, abs=0.002
    )
    assert manifest["peak_memory"] > 50 << 20
    added = {adds for plugin in manifest["plugins"] for adds in plugin["adds"]}
    assert {"step:integrate", "reader:fits", "writer:png"} <= added


def test_the_machine_and_its_user_are_not_named(manifest):
    told = json.dumps({**manifest, "nights": [], "frames": [], "store": ""})
    for name in (socket.gethostname(), getpass.getuser()):
        assert not re.search(rf"\b{re.escape(name)}\b", told), name
    assert str(Path.home()) not in told


def test_the_docs_table_is_that_of_the_schema(schema):
    text = (ROOT / "docs/provenance.md").read_text(encoding="utf-8")
    rows = [
        f"| `{name}` | {entry['description']} |" for name, entry in schema["properties"].items()
    ]
    for row in rows:
        assert row in text, row
    assert text.count("\n| `") == len(rows)
