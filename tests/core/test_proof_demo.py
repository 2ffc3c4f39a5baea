"""The proof of a whole run on the invented night, against the truth that its pixels are made of."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from coldframe.cli.main import run_command_line
from coldframe.cli.options import make_request
from coldframe.demo.night import make_night
from coldframe.evidence.samples import combine, read_pieces, read_samples
from coldframe.plugins import find_plugins
from coldframe.report.figures import changes, depth, one, probe, proved
from coldframe.report.findings import lights
from coldframe.session import prepare, run
from coldframe.specs import FrameTask, StackTask
from coldframe.store import Store


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    folder = tmp_path_factory.mktemp("proof")
    truth = make_night(folder / "night", "tiny", 1, "colour", threads=2)
    registry = find_plugins()
    request = make_request(
        (folder / "night",), None, (), folder / "out", None, 2, 1 << 30, no_library=True
    )
    prepared = prepare(request, registry)
    return truth, prepared, run(prepared, registry)


def test_hot_pixels_are_those_of_the_sensor(done):
    truth, _, record = done
    fixed = probe(record, "fixed")
    share = one(fixed, "hot_count") / (truth.shape[0] * truth.shape[1])
    assert share == pytest.approx(truth.camera.hot, rel=0.15)
    assert one(fixed, "hot_left") < 0.05 * one(fixed, "hot_seen")
    assert 0.7 < one(fixed, "hot_seen") / one(fixed, "hot_count") <= 1


def test_pattern_of_rows_and_columns_is_that_of_the_sensor(done):
    truth, _, record = done
    fixed = probe(record, "fixed")
    lights = list(truth.lights.values())
    gain = truth.camera.gain(lights[0].setting)
    _, column, row = (e / gain for e in truth.camera.pattern)
    # The master has that much more noise than the pattern itself as its error tells.
    for name, value in (("rows", row), ("columns", column)):
        measured, error = one(fixed, f"bias_{name}"), one(fixed, f"bias_{name}_error")
        assert abs(measured**2 - value**2) < 3 * error


def test_vignetting_is_that_of_the_lens_and_gone_afterwards(done):
    truth, _, record = done
    height, width = truth.shape
    y, x = np.array([0, 0, height - 1, height - 1]), np.array([0, width - 1, 0, width - 1])
    true = 1 - float(truth.optics.shading(truth.shape, y, x).mean())
    fixed, sky = probe(record, "fixed"), probe(record, "surface")
    assert one(fixed, "flat_falloff") == pytest.approx(true, abs=0.015)
    assert one(fixed, "before_falloff") == pytest.approx(true, abs=0.03)
    assert abs(one(fixed, "after_falloff")) < 0.03
    # The stack without the flat shows it too, in proportion to the sky that it was matched to.
    assert one(sky, "-flat falloff") > one(sky, "- falloff") + true / 2


def test_dust_shadows_are_those_on_the_filter(done):
    truth, _, record = done
    fixed = probe(record, "fixed")
    found = np.stack([fixed["dust_y"], fixed["dust_x"]], axis=1)
    height, width = truth.shape
    for dust in truth.dust:
        near = np.hypot(*(found - [dust.y, dust.x]).T)
        others = [d for d in truth.dust if d is not dust]
        alone = all(math.hypot(d.y - dust.y, d.x - dust.x) > d.outer + dust.outer for d in others)
        room = 2 * dust.outer
        inside = room < dust.y < height - room and room < dust.x < width - room
        if alone and inside:
            assert near.min() < 4, dust
            depth_found = fixed["dust_depth"][int(near.argmin())]
            assert depth_found == pytest.approx(dust.depth, rel=0.25)
    before, after = fixed["dust_before"], fixed["dust_after"]
    assert abs(before[0] - 1) < 3 * before[1]
    assert abs(after[0]) < 3 * after[1]


def test_the_noise_curve_ends_at_the_noise_of_the_stack(done):
    _, _, record = done
    found, stack = depth(record), proved(record)
    assert found.lights == stack.measures["frames"]
    assert found.noise[-1] == pytest.approx(stack.measures["noise"], rel=0.06)
    used = [f for f in record.frames if f.id in stack.frames]
    single = [f.measures["matched_noise"] for f in used]
    assert found.noise[0] == pytest.approx(
        float(np.mean(np.array(single) ** -2.0)) ** -0.5, rel=0.06
    )
    assert list(found.noise) == sorted(found.noise, reverse=True)


def test_pieces_of_all_lights_combine_to_the_very_stack(done):
    _, prepared, record = done
    plan = prepared.plan
    task = plan.tasks[proved(record).id][0]
    assert isinstance(task, StackTask)
    store = Store(plan.store)
    whole = store.frame(task.key).channels
    height, width = whole.shape[1:]
    corners = [(0, 0), (0, width - 40), (height - 30, 0), (height - 30, width - 40)]
    for samples in (
        read_samples(store, task.decision, task.call),
        read_pieces(store, task.decision, task.call, corners, (30, 40)),
    ):
        data, _ = combine(samples, range(samples.lights))
        h, w = samples.side
        for piece, (y, x) in enumerate(zip(samples.y, samples.x, strict=True)):
            there = whole[:, y : y + h, x : x + w]
            assert data[piece].shape == there.shape
            assert np.abs(data[piece] - there).max() < 0.01


def test_every_change_is_for_the_better(done):
    _, _, record = done
    for change in changes(record):
        assert abs(change.after) < abs(change.before) + (change.error or 0), change


def test_report_and_shot_list_count_the_same_dither_positions(done, capsys):
    _, prepared, record = done
    output = prepared.request.output
    page = (output / "report.html").read_text(encoding="utf-8")
    args = [
        "shotlist",
        str(output.parent / "night"),
        "--run",
        str(output),
        "--no-library",
        "--json",
    ]
    assert run_command_line(args) == 0
    (dithered,) = json.loads(capsys.readouterr().out)["dither_positions"]
    # The invented night moves the field for every light.
    assert dithered["positions"] == sum(f.used for f in lights(record)) > 1
    assert f"Dithering: {dithered['positions']} positions, counted from the shifts of" in page
    assert dithered["why"].endswith(" in out")


def test_cost_is_bounded_by_the_sample(done):
    _, prepared, record = done
    plan = prepared.plan
    sample = len(record.proof.sample)
    again = [
        spec
        for spec, _ in plan.tasks.values()
        if isinstance(spec, FrameTask) and spec.trial is not None
    ]
    kinds = len(record.proof.variants) - 1
    assert (sample, kinds) == (3, 3)
    assert len(again) == sample * kinds


def test_the_page_is_small_and_whole(done):
    _, prepared, record = done
    page = Path(prepared.request.output / "report.html").read_text(encoding="utf-8")
    assert len(page) < 6_000_000
    for words in ("Without and with the dark", "Without and with the flat", "Noise curve",
                  "What to shoot next", "The lights in order of time", "The masters"):  # fmt: skip
        assert words in page
    assert {variant.reason for variant in record.proof.variants} == {""}
