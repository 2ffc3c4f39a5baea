"""`coldframe explain`: the whole ancestry of a product, from its file alone or with its store."""

import json
import shutil
from pathlib import Path

import pytest

from coldframe.cli.main import run_command_line
from coldframe.digests import file_digest
from coldframe.provenance import explain, is_side, is_source, params_of, sources, tree
from coldframe.store import Store


def product(output, suffix):
    return next(output.glob(f"*-final{suffix}"))


@pytest.fixture
def alone(tiny_run, tmp_path):
    """The products without store and manifest."""
    for suffix in (".fits", ".tiff", ".png"):
        folder = tmp_path / suffix[1:]
        folder.mkdir()
        shutil.copy(product(tiny_run[1], suffix), folder)
    return tmp_path


def test_a_fits_file_alone_names_every_source_frame_with_its_digest(tiny_run, alone):
    night, output = tiny_run
    lineage = explain(str(product(alone / "fits", ".fits")))
    manifest = json.loads((output / "coldframe-run.json").read_text())
    told = {node.label: params_of(node)["digest"] for node in sources(lineage)}
    files = {path.name: path for path in night.rglob("*.DNG")}
    assert told == {name: file_digest(files[name]) for name in told}
    final = next(p for p in manifest["products"] if p["step"] == "final")
    lights = {f["id"] for f in manifest["frames"] if f["kind"] == "light" and f["used"]}
    assert set(final["frames"]) == lights
    assert {Path(f["file"]).name for f in manifest["frames"] if f["id"] in lights} < set(told)
    kinds = {params_of(node)["kind"] for node in sources(lineage)}
    assert kinds == {"light", "dark", "flat", "bias"}
    assert all(node.step for node in lineage.nodes.values())
    assert any("measured numbers" in what for what in lineage.unknown)
    assert any("versions" in what for what in lineage.unknown)


def test_the_header_and_the_store_tell_the_same(tiny_run, alone):
    _, output = tiny_run
    header = explain(str(product(alone / "fits", ".fits")))
    stored = {one.key: one for one in Store(output / "store").ancestry(header.product)}
    assert list(header.nodes) == list(stored)
    for key, node in header.nodes.items():
        assert (node.step, node.inputs) == (stored[key].step, stored[key].inputs)
        assert json.loads(node.params) == json.loads(stored[key].params)


def test_every_input_is_a_node_and_nothing_is_its_own_ancestor(tiny_run):
    lineage = explain(str(product(tiny_run[1], ".fits")))
    done: dict[str, int] = {}

    def depth(key):
        if key not in done:
            done[key] = -1
            below = [depth(k) for k in lineage.nodes[key].inputs]
            assert -1 not in below
            done[key] = 1 + max(below, default=0)
        return done[key]

    assert depth(lineage.product) > 4
    assert set(done) == set(lineage.nodes)
    leaves = [node for node in lineage.nodes.values() if not node.inputs]
    assert all(is_source(node) for node in leaves)


@pytest.mark.parametrize("suffix", [".tiff", ".png"])
def test_pictures_lead_to_the_same_product(tiny_run, alone, suffix):
    _, output = tiny_run
    whole = explain(str(product(output, suffix)))
    assert whole.nodes.keys() == explain(str(product(output, ".fits"))).nodes.keys()
    single = explain(str(product(alone / suffix[1:], suffix)))
    assert single.product == whole.product
    assert "how it was made" in single.unknown[0]
    assert bool(single.history) == (suffix == ".tiff")
    shutil.copy(product(output, ".fits"), alone / suffix[1:])
    beside = explain(str(product(alone / suffix[1:], suffix)))
    assert beside.nodes.keys() == whole.nodes.keys()


def test_the_tree_shows_each_frame_once_and_hides_surveys(tiny_run):
    lineage = explain(str(product(tiny_run[1], ".fits")))
    lines = tree(lineage)
    for node in sources(lineage):
        assert sum(f"frame {node.label} " in line for line in lines) == 1, node.label
    assert not any(" survey" in line or " decision" in line for line in lines)
    assert any(" decision" in line for line in tree(lineage, sides=True))
    assert any(line.endswith("as above") for line in lines)


def test_depth_and_json(tiny_run, capsys):
    file = str(product(tiny_run[1], ".fits"))
    assert run_command_line(["explain", file, "--depth", "1", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [node["step"].split()[0] for node in told["nodes"]] == ["background-fit", "integrate"]
    assert told["as_written"] is True
    assert told["nodes"][0]["params"]["model"] == "polynomial"
    assert told["nodes"][0]["measures"]["frames"] > 1
    assert run_command_line(["explain", file]) == 0
    text = capsys.readouterr().out
    assert "its bytes are those that the run wrote" in text
    assert "Steps and their parameters" in text


def test_a_changed_file_is_told(tiny_run, tmp_path):
    _, output = tiny_run
    for name in ("coldframe-run.json", product(output, ".fits").name):
        shutil.copy(output / name, tmp_path)
    file = product(tmp_path, ".fits")
    assert explain(str(file)).as_written is True
    with file.open("r+b") as handle:
        handle.seek(3 * 2880)
        handle.write(b"\x01")
    assert explain(str(file)).as_written is False


def test_a_store_key_and_its_beginning(tiny_run):
    _, output = tiny_run
    key = explain(str(product(output, ".fits"))).product
    assert explain(key[:12], output / "store").product == key


@pytest.mark.parametrize(
    ("what", "said"),
    [
        ("nowhere.fits", "no such file"),
        ("0123456789", "name the run's store with --store"),
        (".", "name one of its products"),
        ("text.png", "does not tell which product it is"),
        ("plain.fits", "no PROVENANCE table"),
    ],
)
def test_what_is_no_product_is_told_in_one_line(what, said, tmp_path, monkeypatch, capsys):
    from astropy.io import fits

    monkeypatch.chdir(tmp_path)
    (tmp_path / "text.png").write_text("no picture")
    fits.PrimaryHDU().writeto(tmp_path / "plain.fits")
    code = run_command_line(["explain", what])
    text = capsys.readouterr().err
    assert code in (1, 2)
    assert said in text
    assert len(text.strip().splitlines()) == 1


def test_a_librarys_master_brings_its_own_frames(tiny_run, tmp_path, capsys):
    night, _ = tiny_run
    library = str(tmp_path / "library")
    shots = sorted(night.rglob("*.DNG"))
    lights = json.loads((tiny_run[1] / "coldframe-run.json").read_text())["frames"]
    light_names = {Path(f["file"]).name for f in lights if f["kind"] == "light"}
    darks, alone = tmp_path / "darks", tmp_path / "night"
    for folder in (darks, alone):
        folder.mkdir()
        shutil.copy(night / "notes.yaml", folder)
    for shot in shots:
        target = (alone if shot.name in light_names else darks) / shot.relative_to(night)
        target.parent.mkdir(exist_ok=True)
        shutil.copy(shot, target)
    assert run_command_line(["library", "add", str(darks), "--library", library]) == 0
    output = tmp_path / "out"
    arguments = ["run", str(alone), "-o", str(output), "--library", library]
    assert run_command_line(arguments) == 0
    lineage = explain(str(product(output, ".fits")))
    told = {node.label for node in sources(lineage)}
    assert told - light_names  # frames of which the run itself never saw a byte
    kinds = {params_of(node)["kind"] for node in sources(lineage)}
    assert kinds == {"light", "dark", "flat", "bias"}
    assert all(node.step for node in lineage.nodes.values())
    assert any(is_side(node) for node in lineage.nodes.values())
    capsys.readouterr()
