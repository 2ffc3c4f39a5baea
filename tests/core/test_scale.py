"""The simulation of scale against textbook results, and what it says of plans."""

import json
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from coldframe.cli.main import run_command_line
from coldframe.estimate import BUILT_IN
from coldframe.plugins import find_plugins
from coldframe.recipe import load_recipe
from coldframe.recipe_document import find_recipe
from coldframe.scale.costs import job_of as job_of_plan
from coldframe.scale.measure import planned
from coldframe.scale.season import season
from coldframe.scale.simulate import WAITS, Job, Machine, bounds, simulate
from coldframe.scale.table import duration


def job_of(seconds, needs=None, read=None, written=None):
    n = len(seconds)
    return Job(seconds, read or [0.0] * n, written or [0.0] * n, needs or [[]] * n)


@st.composite
def jobs(draw):
    n = draw(st.integers(1, 25))
    seconds = draw(st.lists(st.floats(0.01, 10), min_size=n, max_size=n))
    needs = [
        draw(st.lists(st.integers(0, i - 1), max_size=3, unique=True)) if i else []
        for i in range(n)
    ]
    return job_of(seconds, needs)


@settings(max_examples=200, deadline=None)
@given(jobs(), st.integers(1, 8))
def test_list_scheduling_keeps_grahams_bounds(job, workers):
    """R. L. Graham 1969, SIAM J. Appl. Math. 17, 416: with work W and longest chain L, any list
    schedule on m machines ends between max(W / m, L) and W / m + (1 - 1 / m) L."""
    took = simulate(job, Machine(workers)).seconds
    least = bounds(job, Machine(workers))
    work, path = sum(job.seconds), least["path"]
    assert took >= max(work / workers, path) - 1e-9
    assert took <= work / workers + (1 - 1 / workers) * path + 1e-9


@settings(max_examples=100, deadline=None)
@given(jobs(), st.integers(1, 8), st.floats(0, 1), st.floats(1, 100))
def test_no_run_is_quicker_than_any_one_bound(job, workers, overhead, disk):
    size = [10.0 * s for s in job.seconds]
    job = Job(job.seconds, size, size[::-1], job.needs)
    outcome = simulate(job, Machine(workers, overhead, disk, planning=3.0))
    for name, least in outcome.bounds.items():
        assert outcome.seconds >= least + (0 if name == "planning" else 3.0) - 1e-6


@pytest.mark.parametrize("workers", [1, 2, 4, 8, 16])
def test_amdahls_law(workers):
    """G. M. Amdahl 1967, AFIPS Conf. Proc. 30, 483: with a serial share s the speed-up on m
    processors is 1 / (s + (1 - s) / m)."""
    job = job_of([20.0] + [5.0] * 16, [[]] + [[0]] * 16)
    alone, together = (simulate(job, Machine(m)).seconds for m in (1, workers))
    serial = 20 / 100
    assert alone / together == pytest.approx(1 / (serial + (1 - serial) / workers))


def test_grahams_worst_case_for_independent_tasks():
    """Graham 1969: in a bad order list scheduling takes (2 - 1/m) times the best. m = 3: two
    rounds of short tasks, then the long one; the best packs the long one first."""
    bad = job_of([1.0] * 6 + [3.0])
    assert simulate(bad, Machine(3)).seconds == pytest.approx(5.0)
    good = job_of([3.0] + [1.0] * 6)
    assert simulate(good, Machine(3)).seconds == pytest.approx(3.0)


def test_the_scheduler_hands_out_one_task_after_the_other():
    """Once tasks are shorter than workers times overhead, more workers do not help: the last of n
    tasks begins at n times the overhead."""
    job = job_of([1.0] * 1000)
    times = [simulate(job, Machine(m, overhead=0.01)).seconds for m in (10, 100, 200, 1000)]
    assert times[0] == pytest.approx(100.0, rel=0.01)
    assert times[1:] == pytest.approx([11.0] * 3)
    assert simulate(job, Machine(200, overhead=0.01)).limit == "scheduler"
    assert simulate(job, Machine(10, overhead=0.01)).limit == "workers"


def test_one_disk_serves_one_request_after_the_other():
    job = job_of([1.0] * 100, read=[1e8] * 100, written=[1e8] * 100)
    few = simulate(job, Machine(1, disk=1e9))
    many = simulate(job, Machine(100, disk=1e9))
    assert few.seconds == pytest.approx(100 * 1.2)
    assert few.limit == "workers"
    assert 20.0 <= many.seconds < 21.2
    assert many.limit == "disk"


def test_planning_comes_first_and_may_be_the_limit():
    outcome = simulate(job_of([1.0] * 4), Machine(4, planning=9.0))
    assert (outcome.seconds, outcome.limit) == (10.0, "planning")


def test_tasks_come_after_those_they_need():
    with pytest.raises(ValueError, match="must come after"):
        simulate(job_of([1.0, 1.0], [[1], []]), Machine(1))
    rng = np.random.default_rng(1)
    seconds = list(rng.uniform(1, 2, 5))
    chain = job_of(seconds, [[], [0], [1], [2], [3]])
    assert simulate(chain, Machine(8)).seconds == pytest.approx(sum(seconds))
    assert simulate(chain, Machine(8)).limit == "path"


# -- plans and what the command tells of them


def test_a_season_has_the_frames_asked_for_and_every_kind_it_needs():
    for count in (5, 10, 100, 330, 5000):
        infos = [info for info, _ in season(count)]
        assert len(infos) == count
        assert {info.kind.value for info in infos} == {"light", "dark", "flat", "bias"}
        assert len({info.digest for info in infos}) == count
    assert len({info.night for info in infos}) > 20


def test_a_plans_costs_are_those_of_its_tasks(tmp_path):
    registry = find_plugins()
    recipe = load_recipe(find_recipe("camera-lens"), registry)
    plan, _ = planned(recipe, registry, 60, tmp_path)
    job = job_of_plan(plan, BUILT_IN)
    specs = [spec for spec, _ in plan.tasks.values()]
    pixels = 24e6
    by_kind = {}
    for spec, seconds, read, written in zip(specs, job.seconds, job.read, job.written, strict=True):
        by_kind.setdefault((type(spec).__name__, spec.step_id), []).append((seconds, read, written))
    lights = sum(info.kind == "light" for info, _ in season(60))
    # A light is read raw (2 bytes a pixel), stored as a mosaic (float32 and flags), then as colour.
    clean, aligned = by_kind["FrameTask", "clean"], by_kind["FrameTask", "aligned"]
    assert len(clean) == len(aligned) == lights
    assert clean[0][1] == 2 * pixels
    assert clean[0][2] == pytest.approx(5 * pixels, rel=0.01)
    assert aligned[0][1] == pytest.approx(5 * pixels, rel=0.01)
    assert aligned[0][2] == pytest.approx(13 * pixels, rel=0.01)
    assert clean[0][0] == pytest.approx(24 * BUILT_IN["calibrate"], rel=0.02)
    assert aligned[0][0] == pytest.approx(24 * BUILT_IN["register"], rel=0.01)
    # Each band of a stack reads its share of every frame.
    bands = by_kind["BandTask", "stack"]
    assert sum(read for _, read, _ in bands) == pytest.approx(13 * pixels * lights, rel=0.01)
    # Tasks come after what they need, and each need is there.
    assert all(need < place for place, needs in enumerate(job.needs) for need in needs)
    assert simulate(job, Machine(1)).seconds == pytest.approx(sum(job.seconds))


def test_the_command_predicts_writes_a_table_and_draws(tmp_path, capsys):
    page = tmp_path / "scale.md"
    page.write_text("before\n<!-- table: begin -->\nold\n<!-- table: end -->\nafter\n")
    how = ["scale", "--frames", "12", "--frames", "60", "--workers", "1", "--workers", "8",
           "--disk", "200", "--write", str(page), "--json"]  # fmt: skip
    assert run_command_line(how) == 0
    told = json.loads(capsys.readouterr().out)
    assert [(c["frames"], c["workers"]) for c in told["cases"]] == [
        (12, 1),
        (12, 8),
        (60, 1),
        (60, 8),
    ]
    for case in told["cases"]:
        assert case["seconds"] >= max(case["bounds_seconds"].values())
        assert case["limit"] == max(case["bounds_seconds"], key=case["bounds_seconds"].get)
    assert told["cases"][1]["speedup"] > 1.2
    text = page.read_text()
    assert text.startswith("before\n<!-- table: begin -->\n\nWith a store that moves 200 MB/s:\n")
    assert text.endswith("<!-- table: end -->\nafter\n")
    assert "| 60 |" in text
    (bold,) = re.findall(r"^\| 60 \|.*\*\*(.+?)\*\*", text, re.M)
    slowest = max(told["cases"][-1]["bounds_seconds"].values())
    assert bold == duration(slowest)
    assert "old" not in text
    with Image.open(tmp_path / "images" / "scale.png") as picture:
        assert np.asarray(picture.convert("L")).std() > 5


def test_the_page_shows_every_limit_that_it_explains_and_explains_every_one_it_shows():
    page = (Path(__file__).parents[2] / "docs/scale.md").read_text(encoding="utf-8")
    tables, text = page.partition("<!-- table: end -->")[::2]
    explained = re.findall(r"^- \*\*(\w+)\*\*", text, re.M)
    columns = re.findall(r"^\| frames \| (planning \| scheduler .*) \|$", tables, re.M)
    assert {tuple(heads.split(" | ")) for heads in columns} == {tuple(explained)} == {tuple(WAITS)}
    assert set(re.findall(r"× \((\w+)\)", tables)) <= set(explained)


def test_measured_rates_are_taken_from_a_store(tmp_path, capsys):
    (tmp_path / "rates.json").write_text(json.dumps({"register": 4 * BUILT_IN["register"]}))
    how = ["scale", "--frames", "60", "--workers", "1", "--disk", "1000", "--json"]
    assert run_command_line(how) == 0
    usual = json.loads(capsys.readouterr().out)["cases"][0]["bounds_seconds"]["workers"]
    assert run_command_line([*how, "--store", str(tmp_path)]) == 0
    slow = json.loads(capsys.readouterr().out)["cases"][0]["bounds_seconds"]["workers"]
    lights = sum(info.kind == "light" for info, _ in season(60))
    assert slow - usual == pytest.approx(3 * BUILT_IN["register"] * 24 * lights, rel=1e-3)


def test_a_page_without_marks_is_a_clear_error(tmp_path, capsys):
    page = tmp_path / "page.md"
    page.write_text("nothing")
    how = ["scale", "--frames", "12", "--workers", "1", "--disk", "200", "--write", str(page)]
    assert run_command_line(how) == 2
    assert "has no lines '<!-- table: begin -->'" in capsys.readouterr().err
    assert page.read_text() == "nothing"
