"""What a plan says of memory and disk, and that a run which cannot fit does not begin."""

from types import SimpleNamespace

import pytest
import test_engine
import toy

from coldframe import disk as disk_module
from coldframe import specs, tasks
from coldframe.budget import Need
from coldframe.disk import Disk, Room, check_disk, plan_disk
from coldframe.errors import StoreError, UsageError
from coldframe.execute import pending, run_plan
from coldframe.footprint import (
    BASE,
    FEWEST_ROWS,
    Footprint,
    Size,
    band_bytes,
    bands,
    fitting_reports,
    needs,
    source_size,
)
from coldframe.frame import FrameInfo
from coldframe.limits import (
    check_memory,
    expected_memory,
    fitting_readers,
    fitting_workers,
    least_memory,
)
from coldframe.planned import Resources
from coldframe.specs import BandTask, FrameTask, OutputTask, StackTask
from coldframe.store import Store
from coldframe.tidy import KEEP, Tidy

MIB = 1 << 20
LARGE = Size(4000, 6000)


@pytest.fixture
def night(tmp_path, monkeypatch):
    registry = toy.registry(readers=test_engine.Readers())
    for module in (specs, tasks):
        monkeypatch.setattr(module, "worker_registry", lambda: registry)
    made = test_engine.Night(tmp_path, registry)
    for _ in range(3):
        made.add("dark", 100, shape=(200, 150))
    for i in range(4):
        made.add("light", 500 + 100 * i, shape=(200, 150))
    return made


def test_sizes_follow_the_frames_through_the_plan(night):
    plan = night.plan()
    footprint = Footprint(plan, night.registry)
    key = {step: plan.flows[step][0].key for step in ("darks", "dark", "moved", "stack")}
    assert footprint.size(key["darks"]).raw
    assert footprint.size(key["darks"]).held == 200 * 150 * 3
    assert footprint.size(key["moved"]).held == 200 * 150 * 5
    assert footprint.size(key["stack"]).planes == toy.Mean.takes.planes


def test_a_mosaic_that_is_demosaiced_is_planned_in_colour():
    assert source_size(FrameInfo(shape=(10, 20), cfa="RGGB")).mosaic
    colour = Size(10, 20, colour=True)
    assert colour.held == 10 * 20 * 13


def test_every_task_that_holds_pixels_has_a_need(night):
    plan = night.plan()
    found = needs(plan, pending(plan), night.registry)
    for key, (spec, _) in plan.tasks.items():
        if isinstance(spec, FrameTask | StackTask | OutputTask):
            assert found[key].own > 200 * 150 * 3
        if isinstance(spec, BandTask):
            assert found[key].own > 200 * 150 * 5 / spec.parts
    clean = plan.tasks[plan.flows["clean"][0].key][0]
    dark = f"{plan.store}/{plan.flows['dark'][0].key}"
    assert found[clean.key].shared == {dark: 200 * 150 * 5}


@pytest.mark.parametrize("workers", [1, 2, 16])
@pytest.mark.parametrize("count", [3, 200, 5000])
@pytest.mark.parametrize("processes", [False, True])
def test_bands_fit_whatever_the_number_of_frames(workers, count, processes):
    resources = Resources(workers, 8 << 30, processes)
    parts = bands(toy.Mean, LARGE, count, 5, resources)
    rows = -(-LARGE.height // parts)
    taken = band_bytes(toy.Mean, LARGE, count, rows, 5)
    each, room = taken + (BASE if processes else 0), resources.memory - BASE
    if rows > FEWEST_ROWS:
        assert workers * each <= room
    else:
        assert each <= room or rows == 1


def test_many_workers_do_not_cut_bands_ever_smaller():
    few = bands(toy.Mean, LARGE, 200, 5, Resources(1, 2 << 30))
    many = bands(toy.Mean, LARGE, 200, 5, Resources(24, 2 << 30))
    assert LARGE.height / few > FEWEST_ROWS
    assert LARGE.height / many >= FEWEST_ROWS - 1  # shared among 24 it would be 4 rows


NEEDS = {"a": Need(300 * MIB, {"m": 100 * MIB}), "b": Need(200 * MIB, {"m": 100 * MIB})}
TASKS = {"a": (SimpleNamespace(step_id="clean"), ()), "b": (SimpleNamespace(step_id="x"), ())}


def test_too_small_a_limit_is_refused_with_the_least_that_would_do():
    least = BASE + 400 * MIB
    assert least_memory(NEEDS.values(), Resources(4, 1)) == least
    check_memory(NEEDS, TASKS, Resources(4, least))
    with pytest.raises(UsageError) as caught:
        check_memory(NEEDS, TASKS, Resources(4, least - 1))
    assert "step 'clean' alone takes 400.0 MiB" in str(caught.value)
    assert f"Give --memory {least // MIB}MiB or more" in str(caught.value)


def test_worker_processes_each_take_their_own():
    one = BASE + 400 * MIB
    for workers, memory, expected in ((4, 1, 1), (4, BASE + 2 * one, 2), (4, 64 << 30, 4)):
        assert fitting_workers(NEEDS.values(), Resources(workers, memory, True)) == expected
    assert fitting_workers(NEEDS.values(), Resources(4, 1)) == 4  # threads wait for room
    assert least_memory(NEEDS.values(), Resources(1, 1, True)) == BASE + one


def test_what_is_expected_stays_within_the_limit():
    roomy = expected_memory(NEEDS.values(), Resources(2, 64 << 30))
    assert roomy == BASE + 600 * MIB  # the master once
    assert expected_memory(NEEDS.values(), Resources(2, BASE + 500 * MIB)) == BASE + 500 * MIB


def test_fewer_frames_are_looked_at_when_memory_is_small():
    infos = [FrameInfo(shape=(4000, 6000))] * 3
    assert fitting_readers(infos, Resources(8, 64 << 30)) == 8
    assert fitting_readers(infos, Resources(8, BASE + (1100 << 20))) == 2
    assert fitting_readers(infos, Resources(8, 1)) == 1


# -- disk ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("rule", list(KEEP))
def test_the_planned_store_is_what_the_store_holds(night, rule):
    plan = night.plan()
    todo = pending(plan)
    planned = plan_disk(plan, todo, Footprint(plan, night.registry)).store[rule]
    sizes = []
    tidy = Tidy(plan, todo, rule)
    (night.folder / "out").mkdir()

    def watch(spec, ref):
        if ref is not None:
            sizes.append(pixels(night))
            tidy.done(spec)

    run_plan(plan, todo, scheduler="sync", watch=watch)
    # Small frames are mostly headers and notes, which are planned generously.
    assert max(sizes) <= planned.peak
    assert pixels(night) <= planned.after


def pixels(night):
    return sum(path.stat().st_size for path in night.store.rglob("*") if path.is_file())


def test_less_stays_under_a_stricter_rule(night):
    plan = night.plan()
    room = plan_disk(plan, pending(plan), Footprint(plan, night.registry)).store
    assert room["all"].after > room["masters"].after >= room["results"].after
    assert room["all"].peak >= room["masters"].peak >= room["results"].peak
    assert room["all"].peak >= room["all"].after


GB = 10**9
NEEDED = Disk({"all": Room(50 * GB, 40 * GB), "masters": Room(20 * GB, 5 * GB),
               "results": Room(19 * GB, 4 * GB)}, 2 * GB)  # fmt: skip


def test_a_full_disk_is_told_before_the_start(tmp_path, monkeypatch):
    usage = SimpleNamespace(free=30 * GB)
    monkeypatch.setattr(disk_module.shutil, "disk_usage", lambda place: usage)
    check_disk(NEEDED, "masters", tmp_path / "out" / "store", tmp_path / "out")
    with pytest.raises(StoreError) as caught:
        check_disk(NEEDED, "all", tmp_path / "out" / "store", tmp_path / "out")
    said = str(caught.value)
    assert "48.4 GiB needed, 27.9 GiB free" in said
    assert "--store-keeps results would need 19.6 GiB" in said
    assert str(tmp_path) in said
    assert "coldframe store prune" in said


def test_store_and_products_on_two_disks_are_judged_apart(tmp_path, monkeypatch):
    store, output = tmp_path / "a", tmp_path / "b"
    store.mkdir()
    output.mkdir()
    places = [(store, 50 * GB, "store"), (output, 2 * GB, "products")]
    monkeypatch.setattr(disk_module, "_places", lambda *args: places)
    free = {store: 60 * GB, output: 1 * GB}
    monkeypatch.setattr(
        disk_module.shutil, "disk_usage", lambda place: SimpleNamespace(free=free[place])
    )
    with pytest.raises(StoreError, match=r"products in .*b: 1\.9 GiB needed.*-o DIR"):
        check_disk(NEEDED, "all", store, output)


def test_dropped_pixels_are_counted_when_they_go(night):
    plan, _ = night.run()
    store, key = Store(night.store), plan.flows["clean"][0].key
    size = store.file(key).stat().st_size
    assert store.drop(key) == size
    assert store.drop(key) == 0


def test_the_report_looks_at_as_many_products_as_fit(night):
    plan = night.plan()
    report = needs(plan, plan.tasks, night.registry)["report"].total
    assert report > 0
    fits = [fitting_reports(plan, night.registry, room) for room in (-1, report, 3 * report + 1)]
    assert fits == [1, 1, 3]
