"""What a run lets go under a keep rule, and that nothing but time is lost by it."""

import json
import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor

import pytest
import test_engine
import toy

from coldframe import recovery, specs, tasks
from coldframe.errors import StoreError, UsageError
from coldframe.execute import pending, run_plan
from coldframe.prune import Wish, choose, find_store, holding, prune
from coldframe.specs import FrameTask
from coldframe.store import BAND, Store
from coldframe.tidy import KEEP, Tidy, droppable
from coldframe.usage import note_use, uses

# What is aligned passes from store to store: two steps deep, so that both are in between.
RECIPE = test_engine.RECIPE


@pytest.fixture
def night(tmp_path, monkeypatch):
    registry = toy.registry(readers=test_engine.Readers())
    for module in (specs, tasks):
        monkeypatch.setattr(module, "worker_registry", lambda: registry)
    made = test_engine.Night(tmp_path, registry)
    for _ in range(3):
        made.add("dark", 100)
    for i in range(5):
        made.add("light", 500 + 100 * i)
    return made


def run(night, rule="all", **how):
    """Run what is to do under a rule; (plan, names of the steps whose tasks ran)."""
    (night.folder / "out").mkdir(exist_ok=True)
    (night.folder / "out" / "coldframe-run.json").write_text("{}")
    plan = night.plan()
    todo = pending(plan)
    note_use(plan, night.folder / "out")
    tidy = Tidy(plan, todo, rule)
    tidy.begin(night.folder / "out")

    def watch(spec, ref):
        if ref is not None:
            tidy.done(spec)

    run_plan(plan, todo, **{"scheduler": "sync", "watch": watch, **how})
    tidy.end()
    return plan, sorted({spec.step_id for spec, _ in todo.values()})


def kept(night):
    """Keys of the stored products that still have pixels."""
    return {path.stem for path in night.store.glob("??/*.fits")}


def keys(plan, step):
    return [item.key for item in plan.flows[step]]


def stack_bytes(night, plan):
    return Store(night.store).file(keys(plan, "stack")[0]).read_bytes()


def test_masters_and_stacks_stay_and_frames_in_between_go(night):
    plan, _ = run(night, "masters")
    there = kept(night)
    assert set(keys(plan, "dark")) | set(keys(plan, "stack")) <= there
    # One light of the stack stays at every stage, for the report's pictures.
    for step in ("clean", "moved"):
        assert len(there & set(keys(plan, step))) == 1
    assert not there & set(keys(plan, "darks"))
    for key in keys(plan, "moved"):  # what is known of them stays
        assert Store(night.store).known(key).info.camera == "Toy"


def test_results_alone_stay_when_asked(night):
    plan, _ = run(night, "results")
    assert not kept(night) & set(keys(plan, "dark"))
    assert set(keys(plan, "stack")) <= kept(night)


def test_everything_stays_unless_asked(night):
    plan, _ = run(night)
    for step in ("darks", "dark", "clean", "moved", "stack"):
        assert set(keys(plan, step)) <= kept(night)


@pytest.mark.parametrize("rule", ["masters", "results"])
@pytest.mark.parametrize("scheduler", ["sync", "threads"])
def test_dropping_changes_no_byte_and_a_second_run_does_nothing(night, rule, scheduler):
    plan, _ = run(night)
    whole = stack_bytes(night, plan)
    night.store = night.folder / "other"
    plan, _ = run(night, rule, scheduler=scheduler, workers=3)
    assert stack_bytes(night, plan) == whole
    assert pending(night.plan()) == {}


def test_a_new_light_needs_the_frames_again_but_no_master(night):
    run(night, "masters")
    night.add("light", 800)
    plan, ran = run(night, "masters")
    assert ran == ["clean", "moved", "stack"]
    after = stack_bytes(night, plan)
    night.store = night.folder / "fresh"
    plan, _ = run(night)
    assert stack_bytes(night, plan) == after


def test_without_masters_they_are_made_again_too(night):
    run(night, "results")
    night.add("light", 800)
    _, ran = run(night, "results")
    assert ran == ["clean", "dark", "darks", "moved", "stack"]


def test_frames_kept_before_go_when_the_rule_changes(night):
    plan, _ = run(night)
    before = len(kept(night))
    run(night, "masters")
    assert len(kept(night)) < before
    assert droppable(plan, "masters").isdisjoint(kept(night))


def test_bands_and_half_written_files_of_a_run_cut_off_go(night):
    plan = night.plan(workers=4)
    todo = pending(plan)
    bands = {k for k, (spec, _) in todo.items() if k.endswith(BAND) and spec.step_id == "stack"}
    last = todo.keys() & set(plan.targets)
    run_plan(plan, {k: t for k, t in todo.items() if k not in last}, scheduler="sync")
    assert {path.stem for path in night.store.glob(f"??/*{BAND}.json")} == bands
    (night.folder / "out").mkdir()
    (night.folder / "out" / ".Reeds-stack.fits.x1y2.part").write_text("half")
    run(night)  # one worker: other bands
    assert not list(night.store.glob(f"??/*{BAND}.*"))
    assert not list((night.folder / "out").glob(".*"))


def test_every_rule_is_explained():
    assert set(KEEP) == {"all", "masters", "results"}


# -- pruning -------------------------------------------------------------------------------------


def pruned(night, *args, **wish):
    found = holding(night.store)
    cut = choose(found, Wish(*args, **wish))
    prune(found, cut)
    return found, cut


def test_pruning_takes_what_the_last_run_does_not_use(night):
    first, _ = run(night)
    night.plan = lambda _plan=night.plan: _plan(RECIPE.replace("amount: 10", "amount: 11"))
    plan, _ = run(night)
    found, cut = pruned(night)
    gone = {p.key for p in cut.whole}
    for step in ("clean", "moved", "stack"):
        assert set(keys(first, step)) <= gone
        assert gone.isdisjoint(keys(plan, step))
    assert gone.isdisjoint(keys(plan, "dark"))
    assert cut.freed == found.size - holding(night.store).size
    assert cut.left == holding(night.store).size
    assert pending(night.plan()) == {}


def test_pruned_frames_are_made_again_in_the_same_bytes(night):
    plan, _ = run(night)
    files = {path.name: path.read_bytes() for path in night.store.glob("??/*.fits")}
    _, cut = pruned(night, "masters")
    assert {p.what for p in cut.pixels} == {"frame"}
    assert not cut.whole
    assert pending(night.plan()) == {}
    Store(night.store).delete(keys(plan, "stack")[0])
    run(night)
    again = {path.name: path.read_bytes() for path in night.store.glob("??/*.fits")}
    assert again.items() <= files.items()
    assert {f"{key}.fits" for key in keys(plan, "stack") + keys(plan, "moved")} <= set(again)


def test_results_stay_under_every_rule(night):
    plan, _ = run(night)
    _, cut = pruned(night, "results")
    assert {"frame", "stack"} == {p.what for p in cut.pixels}
    assert set(keys(plan, "stack")) <= kept(night)
    assert not kept(night) & {*keys(plan, "dark"), *keys(plan, "clean")}


def test_age_and_size_hold_pruning_back(night):
    plan, _ = run(night)
    store = Store(night.store)
    old = keys(plan, "clean")[:2]
    for key in old:
        os.utime(store.file(key).with_suffix(".json"), (1e9, 1e9))
    found = holding(night.store)
    assert {p.key for p in choose(found, Wish("masters", older=300)).pixels} == set(old)
    cut = choose(found, Wish("masters", down_to=found.size - 1))
    assert [p.key for p in cut.pixels] == [min(old)]
    assert choose(found, Wish("masters", down_to=found.size)).pixels == []


def test_a_store_whose_runs_are_gone_is_waste(night):
    run(night)
    (night.folder / "out" / "coldframe-run.json").unlink()
    (use,) = uses(night.store)
    assert not use.current
    found, cut = pruned(night)
    assert len(cut.whole) == len(found.products)
    assert holding(night.store).size == 0


def test_without_any_note_nothing_counts_as_waste(night):
    plan = night.plan()
    (night.folder / "out").mkdir()
    run_plan(plan, pending(plan), scheduler="sync")
    found = holding(night.store)
    assert choose(found, Wish()).whole == []
    with pytest.raises(UsageError, match="no run has noted"):
        choose(found, Wish("results"))


def test_a_store_in_use_is_left_alone(night):
    run(night)
    found = holding(night.store)
    other = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"])
    try:
        mark = {**recovery._myself(), "pid": other.pid, "began": recovery._began(other.pid)}
        (night.store / recovery.MARKS).mkdir(exist_ok=True)
        (night.store / recovery.MARKS / "a.json").write_text(json.dumps(mark))
        with pytest.raises(StoreError, match="a run is using"):
            prune(found, choose(found, Wish("masters")))
    finally:
        other.kill()
        other.wait()
    prune(found, choose(found, Wish("masters")))
    assert holding(night.store).size < found.size


def test_the_store_is_found_in_the_output_folder(night, tmp_path):
    run(night)
    assert find_store(night.store) == find_store(night.folder) == night.store
    with pytest.raises(UsageError, match="there is no store in"):
        find_store(tmp_path / "out")


def test_a_frame_task_that_was_dropped_has_no_pixels_but_facts(night):
    plan, _ = run(night, "masters")
    store = Store(night.store)
    key = next(k for k in keys(plan, "moved") if k not in kept(night))
    assert isinstance(plan.tasks[key][0], FrameTask)
    assert store.get(key) is None
    assert store.known(key).history
    assert store.drop(key) == 0


def test_many_may_look_at_once_whether_a_store_can_be_written(tmp_path):
    store = Store(tmp_path / "store")
    with ThreadPoolExecutor(8) as pool:
        looks = [pool.submit(store.check_writable) for _ in range(200)]
        for look in looks:
            look.result()
    assert list(store.root.iterdir()) == []
