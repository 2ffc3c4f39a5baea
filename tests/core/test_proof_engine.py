"""Stacks without one kind of master, on toy steps: right pixels, cached, cleaned up, never fatal."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import toy

from coldframe import specs, tasks
from coldframe.errors import SetAside, StepError
from coldframe.evidence.planning import add_proof
from coldframe.evidence.samples import combine, read_samples
from coldframe.execute import pending, run_plan
from coldframe.frame import Frame, FrameInfo, Kind
from coldframe.graph import compile_plan
from coldframe.hooks import hookimpl
from coldframe.planned import Resources, frame_id
from coldframe.recipe import load_recipe
from coldframe.specs import BandTask, FrameTask
from coldframe.store import Store

RECIPE = """\
recipe: 1
name: toy
about: a toy
inputs: {lights: {kind: light}, darks: {kind: dark}, bias-frames: {kind: bias}}
steps:
  dark: {use: mean, from: darks, per: [exposure]}
  bias: {use: mean, from: bias-frames}
  clean: {use: add, from: lights, masters: [dark, bias], with: {amount: 10}}
  moved: {use: centre, from: clean}
  stack: {use: mean, from: moved, per: [target]}
outputs:
  stack: {text: {digits: 6}}
"""
SHAPE = (96, 128)


class NpyReader:
    name, version, suffixes = "npy", "1", (".npy",)

    def read_info(self, path):
        raise AssertionError("the plan is made from facts only")

    def read_frame(self, info):
        data = np.load(info.path)
        return Frame(data.astype(np.uint16), np.zeros(data.shape, np.uint8), info)


class Readers:
    @hookimpl
    def coldframe_readers(self):
        return [NpyReader()]


class Night:
    def __init__(self, folder, registry, lights=9):
        self.folder, self.registry, self.rng = folder, registry, np.random.default_rng(1)
        self.frames, self.store = [], folder / "store"
        self.darks = [self.add("dark", 100, 10.0) for _ in range(3)]
        self.biases = [self.add("bias", 40, 0.0) for _ in range(3)]
        self.lights = [self.add("light", 500 + 100 * i, 10.0) for i in range(lights)]

    def add(self, kind, level, exposure, shape=SHAPE):
        number = len(self.frames)
        path = self.folder / f"{number:02}.npy"
        data = self.rng.integers(level, level + 50, shape)
        np.save(path, data)
        info = FrameInfo(
            kind=Kind(kind), path=str(path), digest=f"{number:02x}" * 20, camera="Toy",
            shape=shape, exposure=exposure,
        )  # fmt: skip
        self.frames.append((info, "npy"))
        return data.astype(np.float32)

    def plan(self, count=3, text=RECIPE):
        (self.folder / "r.yaml").write_text(text)
        recipe = load_recipe(self.folder / "r.yaml", self.registry)
        plan = compile_plan(
            recipe, self.frames, self.registry, store=self.store, output=self.folder / "out",
            resources=Resources(1, 1 << 28),
        )  # fmt: skip
        return plan, add_proof(plan, self.registry, [info for info, _ in self.frames], count)

    def run(self, plan, **how):
        (self.folder / "out").mkdir(exist_ok=True)
        return run_plan(plan, pending(plan), **{"scheduler": "sync", **how})

    def get(self, key):
        return Store(self.store).get(key)


def trials(plan):
    return {k: s for k, (s, _) in plan.tasks.items() if getattr(s, "trial", None) is not None}


@pytest.fixture
def night(tmp_path, monkeypatch):
    registry = toy.registry(readers=Readers())
    for module in (specs, tasks):
        monkeypatch.setattr(module, "worker_registry", lambda: registry)
    return Night(tmp_path, registry)


def test_each_stack_lacks_just_its_own_master(night):
    plan, proof = night.plan()
    night.run(plan)
    dark, bias = (np.mean(frames, axis=0) for frames in (night.darks, night.biases))
    # What was found out about a light, here its level, stays that of the complete calibration.
    levels = [float((light + 10 - dark - bias).mean()) for light in night.lights]
    sample = [0, 4, 8]  # first, middle and last
    for variant in proof.variants:
        taken = {"": dark + bias, "dark": bias, "bias": dark}[variant.kind]
        lights = [night.lights[i] + 10 - taken + (min(levels) - levels[i]) for i in sample]
        made = Store(night.store).frame(variant.stack)
        np.testing.assert_allclose(made.data, np.mean(lights, axis=0), atol=2e-2)
        assert made.measures["frames"] == 3
    assert [variant.kind for variant in proof.variants] == ["", "bias", "dark"]


def test_nothing_is_done_twice_and_nothing_left_behind(night):
    plan, proof = night.plan()
    night.run(plan)
    again, _ = night.plan()
    assert all(spec.step_id != "compare masters" for spec, _ in pending(again).values())
    gone = [key for key, spec in trials(plan).items() if isinstance(spec, FrameTask | BandTask)]
    assert gone
    assert not [key for key in gone if night.get(key)]
    for item in plan.flows["moved"]:  # the run's own frames are all there
        assert night.get(item.key)
    assert Store(night.store).frame(proof.variants[1].stack).planes == {}


def test_a_run_that_stopped_half_way_goes_on(night, monkeypatch):
    plan, proof = night.plan()
    (night.folder / "out").mkdir()
    few = dict(list(pending(plan).items()))
    started = []

    def watch(spec, ref):
        started.append(spec)
        if sum(isinstance(s, BandTask) and s.step_id == "compare masters" for s in started) == 3:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_plan(plan, few, scheduler="sync", watch=watch)
    night.run(plan)
    assert all(night.get(variant.stack) for variant in proof.variants)


def test_the_products_are_those_of_a_run_without_proof(night, tmp_path):
    plan, _ = night.plan(0)
    night.run(plan)
    key = plan.flows["stack"][0].key
    before = Store(night.store).file(key).read_bytes()
    Store(night.store).delete(key)
    plan, _ = night.plan(3)
    night.run(plan)
    assert plan.flows["stack"][0].key == key
    assert Store(night.store).file(key).read_bytes() == before


def test_a_sample_of_all_lights_is_the_stack_itself(night):
    plan, proof = night.plan(9)
    assert proof.variants[0].stack == plan.flows["stack"][0].key
    assert proof.variants[0].stack not in trials(plan)
    night.run(plan)


def test_zero_lights_is_no_proof(night):
    plan, proof = night.plan(0)
    assert proof is None
    assert not trials(plan)


def test_of_several_nights_the_last_one_is_sampled(night):
    night.frames = [
        (replace(info, night="first" if i % 9 < 5 else "second"), reader)
        for i, (info, reader) in enumerate(night.frames)
    ]
    nights = {frame_id(info): info.night for info, _ in night.frames}
    _, proof = night.plan(3)
    assert [nights[name] for name in proof.sample] == ["second"] * 3


@pytest.mark.parametrize(("lights", "sample"), [(2, 2), (9, 3), (40, 4), (60, 6)])
def test_the_sample_grows_slowly_with_the_night(tmp_path, monkeypatch, lights, sample):
    registry = toy.registry(readers=Readers())
    for module in (specs, tasks):
        monkeypatch.setattr(module, "worker_registry", lambda: registry)
    monkeypatch.setattr(np, "save", lambda path, data: None)
    night = Night(tmp_path, registry, lights)
    _, proof = night.plan(None)
    assert len(proof.sample) == sample


@pytest.mark.parametrize("error", [SetAside, StepError, RuntimeError])
def test_what_cannot_be_made_is_told_and_not_fatal(night, monkeypatch, error):
    apply = toy.Add.apply

    def needs_a_bias(self, frame, ctx):
        if "bias" not in ctx.masters:
            raise error(f"{frame.info.label}: needs a bias")
        return apply(self, frame, ctx)

    monkeypatch.setattr(toy.Add, "apply", needs_a_bias)
    plan, proof = night.plan()
    made = night.run(plan)
    assert made[plan.flows["stack"][0].key].measures["frames"] == 9
    by_kind = {variant.kind: night.get(variant.stack) for variant in proof.variants}
    assert "needs a bias" in by_kind["bias"].aside
    assert not by_kind["dark"].aside
    assert not by_kind[""].aside


def test_every_scheduler_makes_the_same_bytes(night):
    plan, proof = night.plan()
    night.run(plan)
    keys = [variant.stack for variant in proof.variants] + [proof.probes["depth"]]
    first = [Store(night.store).file(key).read_bytes() for key in keys]
    for key in keys:
        Store(night.store).delete(key)
    night.run(plan, scheduler="threads", workers=2)
    assert [Store(night.store).file(key).read_bytes() for key in keys] == first


def test_a_recipe_without_masters_has_probes_only(night):
    text = RECIPE.replace("masters: [dark, bias], ", "")
    plan, proof = night.plan(text=text)
    night.run(plan)
    assert proof.variants == ()
    assert "fixed" not in proof.probes
    assert not night.get(proof.probes["depth"]).aside


def test_samples_of_all_lights_combine_to_the_stack(night):
    plan, _ = night.plan()
    night.run(plan)
    stack = plan.tasks[plan.flows["stack"][0].key][0]
    store = Store(night.store)
    samples = read_samples(store, stack.decision, stack.call)
    data, _ = combine(samples, range(9))
    whole = store.frame(stack.key).data
    for piece, (y, x) in enumerate(zip(samples.y, samples.x, strict=True)):
        h, w = data.shape[2:]
        # The toy's weights are shares of all lights, so that the sum of all of them is the mean.
        np.testing.assert_allclose(data[piece, 0], whole[y : y + h, x : x + w], rtol=1e-6)
    assert len(samples.y) == 12
