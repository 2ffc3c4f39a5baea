"""The engine over many nights, on toy steps: forty nights and one more, and what goes wrong."""

from collections import Counter
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
import toy

from coldframe import specs, tasks
from coldframe.company import company
from coldframe.errors import RecipeError, SetAside, StepError, UsageError
from coldframe.execute import pending, run_plan
from coldframe.frame import Frame, FrameInfo, Kind
from coldframe.graph import compile_plan
from coldframe.hooks import hookimpl
from coldframe.nights_file import NIGHTS_SCHEMA, read_nights
from coldframe.planned import Resources
from coldframe.recipe import load_recipe
from coldframe.serving import Candidate, serve
from coldframe.step import FrameStep
from coldframe.store import Store

RECIPE = """\
recipe: 1
name: toy
about: a toy
inputs: {lights: {kind: light}, darks: {kind: dark}}
steps:
  dark: {use: mean, from: darks, per: [exposure, night]}
  clean: {use: add, from: lights, masters: dark, with: {amount: 10}}
  moved: {use: level, from: clean, per: [target]}
  stack: {use: mean, from: moved, per: [target], each_night: true}
  final: {use: add, from: stack}
outputs:
  final: {text: {digits: 6}}
"""


class Level(FrameStep):
    """Brings every frame to the mean of the first night's first frame."""

    name = "level"
    about = "One level for all nights"
    anchored = True

    def survey(self, frame, ctx):
        return {"level": np.array([frame.data.mean(dtype=np.float64)])}

    def decide(self, rows, ctx):
        if not rows and not ctx.decision:
            raise StepError("no frame tells the level")
        first = ctx.decision.get("target", rows and rows[0].survey["level"])
        return {"target": np.asarray(first), "night": np.array([float(len(rows))])}

    def apply(self, frame, ctx):
        offset = ctx.decision["target"][0] - ctx.survey["level"][0]
        return frame.with_pixels(frame.data + np.float32(offset))


class Reader:
    name, version, suffixes = "seeded", "1", (".toy",)

    def read_info(self, path):
        raise AssertionError("the plan is made from facts only")

    def read_frame(self, info):
        seed = int(info.digest[:8], 16)
        if info.camera == "Cloudy":
            raise SetAside("clouded over")
        data = np.random.default_rng(seed).integers(500, 900, info.shape)
        return Frame(data.astype(np.uint16), np.zeros(info.shape, np.uint8), info)


class Season:
    """Frames of many nights that need no files: a reader makes their pixels of their digests."""

    def __init__(self, folder, registry):
        self.folder, self.registry, self.frames, self.nights = folder, registry, [], []

    def night(self, number, lights=2, darks=0, **facts):
        name = f"night-{number}"
        self.nights.append(name)
        for i in range(lights + darks):
            kind = Kind.LIGHT if i < lights else Kind.DARK
            path = self.folder / f"{number:02}-{i}.toy"
            path.touch()
            start = datetime(2026, 1, 1, 20, tzinfo=UTC) + timedelta(days=number, minutes=i)
            info = FrameInfo(
                kind=kind, path=str(path), digest=f"{1000 * number + i:08x}" * 8, shape=(12, 9),
                night=name, start=start, exposure=10.0, target="T" if kind is Kind.LIGHT else None,
                **facts,
            )  # fmt: skip
            self.frames.append((info, "seeded"))

    def run(self, store="store", out="out"):
        (self.folder / "r.yaml").write_text(RECIPE)
        (self.folder / out).mkdir(exist_ok=True)
        plan = compile_plan(
            load_recipe(self.folder / "r.yaml", self.registry),
            sorted(self.frames, key=lambda f: f[0].start), self.registry,
            store=self.folder / store, output=self.folder / out, resources=Resources(1, 1 << 28),
            nights=self.nights,
        )  # fmt: skip
        done = Counter()
        run_plan(plan, pending(plan), scheduler="sync", watch=lambda spec, ref: done.update(
            [(type(spec).__name__, spec.step_id)] if ref else []))  # fmt: skip
        return plan, done


@pytest.fixture
def season(tmp_path, monkeypatch):
    class Plugin:
        @hookimpl
        def coldframe_steps(self):
            return [Level]

        @hookimpl
        def coldframe_readers(self):
            return [Reader()]

    registry = toy.registry(more=Plugin())
    for module in (specs, tasks):
        monkeypatch.setattr(module, "worker_registry", lambda: registry)
    return Season(tmp_path, registry)


def files(folder):
    return {p.name: p.read_text() for p in folder.glob("*.txt")}


def test_night_41_costs_night_41_and_the_last_integration(season):
    season.night(0, lights=0, darks=2)
    for number in range(1, 41):
        season.night(number)
    plan, done = season.run()
    assert done["FrameTask", "moved"] == 80
    assert done["StackTask", "stack"] == 41
    season.night(41, lights=3)
    plan, done = season.run()
    bands = done.pop(("BandTask", "stack"))
    assert bands == sum(len(plan.tasks[i.key][0].bands) for i in plan.flows["stack"][::41])
    assert done == {
        ("FrameTask", "clean"): 3,
        ("FrameTask", "moved"): 3,
        ("DecideTask", "moved"): 1,
        ("DecideTask", "stack"): 2,  # night 41, and all
        ("StackTask", "stack"): 2,
        ("FrameTask", "final"): 2,
        ("OutputTask", "final"): 2,
    }
    season.run("anew", "anew-out")
    assert files(season.folder / "out") == files(season.folder / "anew-out")
    assert len(files(season.folder / "out")) == 42


def test_the_night_named_first_leads_whatever_the_dates_say(season):
    season.night(5)
    season.night(3)
    plan, _ = season.run()
    first, second = (plan.tasks[key][0] for key in plan.decisions["moved"])
    assert first.anchor == ""
    assert second.anchor == first.key
    levels = {
        Store(plan.store).get(i.key).info.night: Store(plan.store).frame(i.key).data.mean()
        for i in plan.flows["moved"]
    }
    clean = [i for i in plan.flows["clean"] if i.info.night == "night-5"]
    wanted = Store(plan.store).frame(clean[0].key).data.mean()
    assert list(levels.values()) == pytest.approx([wanted] * 2, rel=1e-5)


def test_one_night_is_keyed_as_if_there_were_no_others(season):
    season.night(1)
    one, _ = season.run()
    season.night(2)
    two, _ = season.run()
    assert [i.key for i in one.flows["moved"]] == [i.key for i in two.flows["moved"]][:2]
    assert one.flows["stack"][0].key == next(
        i.key for i in two.flows["stack"] if i.alone == "night-1"
    )
    assert one.flows["stack"][0].alone == ""


def test_a_night_without_a_usable_frame_costs_its_own_stack_only(season):
    season.night(1)
    season.night(2, camera="Cloudy")
    plan, _ = season.run()
    store = Store(plan.store)
    by_label = {i.label: store.get(i.key) for i in plan.flows["stack"]}
    assert by_label["light · T · 2 nights"].measures["frames"] == 2
    lost = by_label["light · T · night-2"].aside
    assert "0 of 2 frames are left, at least 2 are needed" in lost
    assert "02-0.toy: clouded over" in lost
    assert set(files(season.folder / "out")) == {"T-final.txt", "T-night-1-final.txt"}


def test_a_first_night_that_cannot_lead_is_an_error_that_says_what_to_do(season):
    season.night(1, camera="Cloudy")
    season.night(2)
    with pytest.raises(StepError, match="all nights go by the first of this target, night-1: name"):
        season.run()


# -- which frames keep company, and whose masters serve whom


def test_a_later_night_is_no_company_for_earlier_ones():
    nights = ["a", "a", "cal", "b", "b"]
    lights = [True, False, False, True, False]
    biases = [False, True, False, False, False]
    found = company(nights, lights, biases, ["a", "cal", "b"])
    assert found["a"] == [0, 1, 2]
    assert found["cal"] == [0, 1, 2, 3, 4]
    assert found["b"] == [1, 2, 3, 4]  # zero is borrowed from the first night that has a bias
    more = company([*nights, "c"], [*lights, True], [*biases, True], ["a", "cal", "b", "c"])
    assert (more["a"], more["b"]) == (found["a"], found["b"])
    assert company(["a", "a"], [True, False], [False, False], ["a"]) == {"a": [0, 1]}


def test_a_nights_own_master_comes_before_another_nights():
    def dark(night, temperature):
        info = FrameInfo(kind=Kind.DARK, exposure=60.0, temperature=temperature, night=night)
        return Candidate(night, info, night, night="" if night == "darks" else night)

    light = FrameInfo(kind=Kind.LIGHT, exposure=60.0, temperature=-10.0, night="b")

    def chosen(*darks):
        (served,) = serve(light, {Kind.DARK: darks}, {})
        return served.chosen.key

    # Another night's must be nearer by a tenth of the tolerance of 3 °C.
    assert chosen(dark("a", -10.0), dark("b", -10.2)) == "b"
    assert chosen(dark("a", -10.0), dark("b", -10.5)) == "a"
    # A folder of calibration frames is no other night.
    assert chosen(dark("darks", -10.0), dark("b", -10.2)) == "darks"


# -- the nights file


def test_a_nights_file_lists_folders_from_where_it_lies(tmp_path):
    import jsonschema
    import yaml

    for name in ("2026-03-14", "b"):
        (tmp_path / name).mkdir()
    listed = tmp_path / "deep" / "nights.yaml"
    listed.parent.mkdir()
    listed.write_text("# the season\n- ../b\n- '../2026-03-14'\n")
    assert [p.resolve().name for p in read_nights(listed)] == ["b", "2026-03-14"]
    jsonschema.validate(yaml.safe_load(listed.read_text()), NIGHTS_SCHEMA)
    plain = tmp_path / "nights.yaml"
    plain.write_text("- 2026-03-14\n- b\n")  # YAML makes a date of the first
    assert [p.name for p in read_nights(plain)] == ["2026-03-14", "b"]


def test_every_fault_of_a_nights_file_has_its_line(tmp_path):
    (tmp_path / "a").mkdir()
    listed = tmp_path / "nights.yaml"
    listed.write_text("- a\n- gone\n- {folder: a}\n- ./a\n")
    with pytest.raises(RecipeError) as caught:
        read_nights(listed)
    lines = str(caught.value).splitlines()
    assert [line.split(": ", 1)[0].rsplit("/", 1)[-1] for line in lines] == [
        "nights.yaml:2:3", "nights.yaml:3:3", "nights.yaml:4:3",
    ]  # fmt: skip
    assert "there is no folder" in lines[0]
    assert "is not the name of a folder" in lines[1]
    assert "is listed twice" in lines[2]
    listed.write_text("nights: [a]\n")
    with pytest.raises(RecipeError, match=r"nights\.yaml:1:1: a nights file is a YAML list"):
        read_nights(listed)
    with pytest.raises(UsageError, match="cannot read the nights file"):
        read_nights(tmp_path / "no.yaml")
