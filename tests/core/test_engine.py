"""The engine on toy steps: graph, store, set-aside frames, resumption, schedulers."""

import json
import os
from dataclasses import replace

import numpy as np
import pytest
import toy

from coldframe import specs, tasks
from coldframe.errors import PluginError, SetAside, StepError, StoreError, UsageError
from coldframe.execute import pending, run_plan
from coldframe.frame import Frame, FrameInfo, Kind
from coldframe.graph import compile_plan
from coldframe.hooks import hookimpl
from coldframe.planned import Resources
from coldframe.recipe import load_recipe
from coldframe.store import Store

RECIPE = """\
recipe: 1
name: toy
about: a toy
inputs: {lights: {kind: light}, darks: {kind: dark}}
steps:
  dark: {use: mean, from: darks, per: [exposure]}
  clean: {use: add, from: lights, masters: dark, with: {amount: 10}}
  moved: {use: centre, from: clean}
  bright: {use: peak, from: clean}
  stack: {use: mean, from: moved, measures: bright, per: [target]}
outputs:
  stack: {text: {digits: 6}}
"""


class NpyReader:
    name, version, suffixes = "npy", "1", (".npy",)

    def read_info(self, path):
        raise AssertionError("the plan is made from facts only")

    def read_frame(self, info):
        data = np.load(info.path)
        if data.ndim != 2:
            raise SetAside("not a picture")
        return Frame(data.astype(np.uint16), np.zeros(data.shape, np.uint8), info)


class Readers:
    @hookimpl
    def coldframe_readers(self):
        return [NpyReader()]


class Night:
    """Frames on disk and the plan of a toy recipe over them."""

    def __init__(self, folder, registry):
        self.folder, self.registry, self.rng = folder, registry, np.random.default_rng(1)
        self.frames = []
        self.store = folder / "store"

    def add(self, kind, level, target=None, shape=(23, 17)):
        number = len(self.frames)
        path = self.folder / f"{number}.npy"
        data = self.rng.integers(level, level + 50, shape)
        np.save(path, data)
        info = FrameInfo(
            kind=Kind(kind), path=str(path), digest=f"{number:02x}" * 20, camera="Toy", shape=shape,
            exposure=10.0, target=target,
        )  # fmt: skip
        self.frames.append((info, "npy"))
        return data

    def plan(self, text=RECIPE, workers=1, memory=1 << 28):
        (self.folder / "r.yaml").write_text(text)
        recipe = load_recipe(self.folder / "r.yaml", self.registry)
        return compile_plan(
            recipe, self.frames, self.registry, store=self.store, output=self.folder / "out",
            resources=Resources(workers, memory),
        )  # fmt: skip

    def run(self, plan=None, **how):
        plan = plan or self.plan()
        (self.folder / "out").mkdir(exist_ok=True)
        todo = pending(plan)
        return plan, run_plan(plan, todo, **{"scheduler": "sync", **how})

    def stack(self, plan, index=0):
        return Store(self.store).frame(plan.flows["stack"][index].key)


@pytest.fixture
def night(tmp_path, monkeypatch):
    registry = toy.registry(readers=Readers())
    for module in (specs, tasks):
        monkeypatch.setattr(module, "worker_registry", lambda: registry)
    made = Night(tmp_path, registry)
    made.darks = [made.add("dark", 100) for _ in range(3)]
    made.lights = [made.add("light", 500 + 100 * i) for i in range(4)]
    return made


def expected(night):
    dark = np.mean(night.darks, axis=0).astype(np.float32)
    clean = [light.astype(np.float32) + 10 - dark for light in night.lights]
    lowest = min(c.mean(dtype=np.float64) for c in clean)
    return np.mean([c + np.float32(lowest - c.mean(dtype=np.float64)) for c in clean], axis=0)


def test_the_graph_computes_what_the_recipe_says(night):
    plan, _ = night.run()
    stack = night.stack(plan)
    np.testing.assert_allclose(stack.data, expected(night), rtol=1e-6)
    assert stack.measures["frames"] == 4
    assert stack.measures["exposure_total"] == 40
    assert stack.measures["noise"] == pytest.approx(float(stack.data.std()))
    assert stack.planes["count"].dtype == np.uint16
    (text,) = (night.folder / "out").glob("*.txt")
    assert float(text.read_text()) == pytest.approx(float(stack.data.mean()), abs=1e-5)


@pytest.mark.parametrize("workers", [1, 7, 40])
def test_tiles_and_workers_change_nothing(night, workers):
    plan, _ = night.run()
    whole = night.stack(plan)
    night.store = night.folder / f"store-{workers}"
    plan, _ = night.run(night.plan(workers=workers), scheduler="threads", workers=workers)
    cut = night.stack(plan)
    assert cut.data.tobytes() == whole.data.tobytes()
    assert cut.planes["count"].tobytes() == whole.planes["count"].tobytes()
    first, second = (
        Store(s).file(plan.flows["stack"][0].key).read_bytes()
        for s in (night.folder / "store", night.store)
    )
    assert first == second


def test_a_second_run_does_nothing(night):
    night.run()
    assert pending(night.plan()) == {}


@pytest.mark.parametrize("how", ["gone", "cut short", "changed"])
def test_a_written_file_that_is_not_as_it_was_is_written_again(night, how):
    night.run()
    (file,) = (night.folder / "out").glob("*.txt")
    before = file.read_text()
    if how == "gone":
        file.unlink()
    else:
        file.write_text(before[:-1] if how == "cut short" else before[::-1])
        os.utime(file, (1e9, 1e9))
    todo = pending(night.plan())
    assert [type(spec).__name__ for spec, _ in todo.values()] == ["OutputTask"]
    night.run()
    assert file.read_text() == before


def test_a_changed_parameter_redoes_only_what_depends_on_it(night):
    night.run()
    plan = night.plan(RECIPE.replace("amount: 10", "amount: 11"))
    steps = {spec.step_id for spec, _ in pending(plan).values()}
    assert steps == {"clean", "moved", "stack"}


def test_a_new_frame_redoes_only_its_own_work_and_the_stack(night):
    night.run()
    night.add("light", 700)
    todo = pending(
        night.plan(
            RECIPE.replace("  moved: {use: centre, from: clean}\n", "").replace(
                "from: moved", "from: clean"
            )
        )
    )
    made = [spec for spec, _ in todo.values() if spec.step_id == "clean"]
    assert len(made) == 5  # the shorter recipe looks at `clean` with other eyes: all anew
    plan = night.plan()
    counts = {}
    for spec, _ in pending(plan).values():
        counts[spec.step_id] = counts.get(spec.step_id, 0) + 1
    assert counts["clean"] == 1
    assert "darks" not in counts


def test_a_product_cut_short_is_made_again(night):
    plan, _ = night.run()
    whole = night.stack(plan).data.tobytes()
    file = Store(night.store).file(plan.flows["stack"][0].key)
    file.write_bytes(file.read_bytes()[:2880])
    plan, _ = night.run()
    assert night.stack(plan).data.tobytes() == whole


def test_a_bad_frame_is_set_aside_and_the_rest_goes_on(night):
    night.add("light", 20000)
    np.save(night.frames[4][0].path, np.zeros((2, 23, 17)))
    plan, made = night.run()
    reasons = {ref.info.label: ref.aside for ref in made.values() if ref.aside}
    assert reasons["7.npy"] == "far too bright"
    assert reasons["4.npy"] == "not a picture"
    assert night.stack(plan).measures["frames"] == 3


def test_too_few_frames_left_is_an_error_that_names_them(night):
    for info, _ in night.frames[4:]:
        np.save(info.path, np.full((23, 17), 30000))
    with pytest.raises(StepError) as caught:
        night.run()
    assert "1 of 4 frames are left, at least 2 are needed" in str(caught.value)
    assert "5.npy: far too bright" in str(caught.value)


def test_a_fault_in_a_step_names_step_frame_and_plugin(night, monkeypatch):
    def broken(self, frame, ctx):
        raise IndexError("off by one")

    monkeypatch.setattr(toy.Add, "apply", broken)
    with pytest.raises(PluginError) as caught:
        night.run()
    text = str(caught.value)
    assert "step 'clean' (add, plugin 'toy' of toy-package 1.0) failed on" in text
    assert text.endswith("IndexError: off by one")


def test_facts_that_do_not_fit_the_pixels_are_told_with_step_and_plugin(night, monkeypatch):
    """A step that bins a mosaic in place would mix its colours, and its facts would say otherwise."""
    night.frames = [(replace(info, cfa="RGGB"), reader) for info, reader in night.frames]

    def binned(self, frame, ctx):
        h, w = (size // 2 * 2 for size in frame.shape)
        data = frame.data[:h, :w].reshape(h // 2, 2, w // 2, 2).mean(axis=(1, 3), dtype=np.float32)
        flags = np.zeros(data.shape, np.uint8)
        return frame.with_pixels(data, flags, **({"shape": data.shape} if self.told else {}))

    monkeypatch.setattr(toy.Add, "apply", binned)
    for told, said in (
        (False, "its pixels became 11 × 8 px and info.shape says 23 × 17 px"),
        (True, "a mosaic became 11 × 8 px from 23 × 17 px and info.cfa still says RGGB"),
    ):
        monkeypatch.setattr(toy.Add, "told", told, raising=False)
        with pytest.raises(PluginError) as caught:
            night.run()
        text = str(caught.value)
        assert text.startswith("step 'clean' (add, plugin 'toy' of toy-package 1.0) on ")
        assert said in text


def test_reduce_that_breaks_its_contract_is_named(night, monkeypatch):
    monkeypatch.setattr(toy.Mean, "reduce", lambda self, tile, ctx: {"data": tile.data[0]})
    with pytest.raises(PluginError, match="reduce must return 'data', 'flags'"):
        night.run()


def test_a_source_that_vanished_is_named(night):
    from pathlib import Path

    plan = night.plan()
    Path(night.frames[3][0].path).unlink()
    with pytest.raises(StoreError, match="is now gone"):
        night.run(plan)


def test_mismatched_sizes_are_an_error(night):
    night.add("dark", 100, shape=(20, 17))
    night.add("dark", 100, shape=(20, 17))
    plan, _ = night.run()  # another size is another master
    assert len(plan.flows["dark"]) == 2
    night.add("light", 600, shape=(20, 17))
    with pytest.raises(StepError, match="group them apart"):
        night.run()


def test_missing_master_warns_sets_aside_or_stops(night):
    night.frames = [pair for pair in night.frames if pair[0].kind is Kind.LIGHT]
    plan = night.plan()
    assert any("4 frames" in w and "there is no dark" in w for w in plan.warnings)
    text = RECIPE.replace("masters: dark,", "masters: dark, match: {dark: {missing: %s}},")
    with pytest.raises(UsageError, match="no dark serves it"):
        night.plan(text % "stop")
    with pytest.raises(UsageError, match=r"nothing to do(.|\n)*3.npy: no dark serves it"):
        night.plan(text % "set-aside")


def test_everything_set_aside_at_the_plan_is_an_error(night):
    night.frames = [pair for pair in night.frames if pair[0].kind is Kind.DARK]
    with pytest.raises(UsageError, match="has nothing to do"):
        night.plan()


def test_groups_make_one_stack_each(night):
    night.add("light", 500, "B")
    night.add("light", 500, "B")
    plan, _ = night.run()
    assert [night.stack(plan, i).measures["frames"] for i in range(2)] == [4, 2]
    assert [label for label, _ in plan.groups["stack"]] != ["", ""]


def test_provenance_reaches_back_to_the_sources(night):
    plan, _ = night.run()
    steps = [a.step for a in Store(night.store).ancestry(plan.flows["stack"][0].key)]
    assert steps[0] == "mean 1"
    assert {"read 0.npy", "add 1", "centre 1"} <= set(steps)


def test_sidecars_and_products_agree(night):
    plan, _ = night.run()
    for file in night.store.rglob("*.json"):
        values = json.loads(file.read_text())
        if "size" in values and values["size"] is not None:
            assert file.with_suffix(".fits").stat().st_size == values["size"]
    assert not list(night.store.rglob("*.part"))
    bands = [key for key in plan.tasks if type(plan.tasks[key][0]).__name__ == "BandTask"]
    assert bands
    assert not any(Store(night.store).file(key).exists() for key in bands)


def test_full_disk_is_a_clear_error(night, monkeypatch):
    def full(*_args, **_more):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("coldframe.product.write_hdus", full)
    with pytest.raises(StoreError, match=r"cannot write .*: No space left on device"):
        night.run()
    assert not list(night.store.rglob("*.fits"))
    assert not list(night.store.rglob("*.part"))


def test_random_numbers_depend_on_seed_and_product_only():
    call = specs.StepCall("s", "add", "1", {}, seed=3)
    one = call.context("ab" * 20).rng.random(4)
    assert (one == call.context("ab" * 20).rng.random(4)).all()
    assert (one != call.context("cd" * 20).rng.random(4)).any()
    assert (one != replace(call, seed=4).context("ab" * 20).rng.random(4)).any()
