"""Faults in the middle of a run: the next run ends with the same bytes and redoes only lost work."""

import json
import os
import re
import tempfile
import time
from pathlib import Path

import faultsim
import pytest

from coldframe import execute, recovery
from coldframe.errors import DamagedError, SourceError
from coldframe.recovery import intact, marked, recover
from coldframe.session import prepare
from coldframe.sources import same_time, unchanged
from coldframe.store import Ref, Store


@pytest.fixture(scope="module")
def bench():
    # Not in pytest's own folder: one of the faults is to be a user who may not write.
    with tempfile.TemporaryDirectory(prefix="coldframe-faults-") as folder:
        yield faultsim.Bench(Path(folder))


@pytest.mark.parametrize("seed", range(100))
def test_after_any_fault_the_next_run_ends_well(bench, seed):
    outcome = bench.try_fault(seed)
    assert not outcome.lost, outcome
    assert not outcome.wrong, outcome


def test_the_hundred_hold_every_kind():
    assert {fault.__name__ for fault in faultsim.FAULTS} == {
        faultsim.FAULTS[seed % len(faultsim.FAULTS)].__name__ for seed in range(100)
    }


def test_any_product_lost_in_a_power_cut_is_in_the_provenance_again(bench, tmp_path):
    """The stack itself is flushed to disk, what it was made of is not; a look at the plan between
    changes nothing."""
    out = tmp_path / "out"
    bench.child(out)
    for key in bench.products:
        file = Store(out / "store").file(key).with_suffix(".json")
        file.write_bytes(bytes(file.stat().st_size))
        (out / "store/running/1.json").write_text("{}")
        prepare(bench.request(out), bench.registry)
        assert bench.child(out).code == 0
        assert (out / bench.name).read_bytes() == bench.final, key


def test_a_power_cut_is_told_and_durable_products_stay(bench, tmp_path):
    out = tmp_path / "out"
    bench.child(out)
    frames = [p for p in (out / "store").glob("??/*.fits") if b"FLAGS" in p.read_bytes()[:20000]]
    frames[0].write_bytes(bytes(frames[0].stat().st_size))
    (out / "store/running").mkdir(exist_ok=True)
    (out / "store/running/1.json").write_text(
        json.dumps({**recovery._myself(), "boot": "an earlier start of this machine"})
    )
    kept = {p: p.stat().st_mtime_ns for p in (out / "store").glob("??/*.fits")}
    (warning,) = [
        w for w in prepare(bench.request(out), bench.registry).plan.warnings if "cut" in w
    ]
    assert "an earlier run was cut off" in warning
    assert "1 were damaged and are made again" in warning
    assert bench.child(out).code == 0
    assert intact(frames[0].with_suffix(".json"))
    assert all(p.stat().st_mtime_ns == time for p, time in kept.items() if p != frames[0])


def test_old_products_are_not_read_again(bench, tmp_path):
    out = tmp_path / "out"
    bench.child(out)
    store = out / "store"
    old = next(store.glob("??/*.fits"))
    old.write_bytes(bytes(old.stat().st_size))
    before = time.time() - 2 * recovery.RECENT
    os.utime(old.with_suffix(".json"), (before, before))
    (store / "running").mkdir(exist_ok=True)
    (store / "running/x.json").write_text("{}")
    checked, damaged = recover(store)
    assert damaged == 0
    assert checked == len(list(store.glob("??/*.json"))) - 1
    recovery.settle(store)
    assert recover(store) is None


def test_a_run_that_is_on_is_not_disturbed(tmp_path):
    part = tmp_path / "ab/.x.fits.1.part"
    part.parent.mkdir()
    part.touch()
    (tmp_path / "running").mkdir()
    unmarked = tmp_path / "running/.y.json.1.part"  # killed while it left its mark
    unmarked.touch()
    (tmp_path / "running/dead.json").write_text("{}")
    with marked(tmp_path):
        assert recover(tmp_path) == (0, 0)
        recovery.settle(tmp_path)
        assert part.exists()
        assert len(list((tmp_path / "running").glob("*.json"))) == 1
    (tmp_path / "running/dead.json").write_text("{}")
    recover(tmp_path)
    assert not part.exists()
    assert not unmarked.exists()


@pytest.mark.parametrize(
    ("change", "state"),
    [
        ({}, "alive"), ({"boot": "another"}, "dead"), ({"began": "1"}, "dead"),
        ({"pid": 2**22 + 1}, "dead"), ({"host": "elsewhere"}, "elsewhere"),
    ],
)  # fmt: skip
def test_whose_mark_it_is(tmp_path, change, state):
    mark = tmp_path / "m.json"
    mark.write_text(json.dumps({**recovery._myself(), **change}))
    assert recovery._state(mark) == state
    week = time.time() - recovery.FORGOTTEN - 1
    os.utime(mark, (week, week))
    assert recovery._state(mark) == ("dead" if state == "elsewhere" else state)


def test_a_file_that_comes_late_is_waited_for(bench, tmp_path, monkeypatch):
    """As on a shared folder that shows it later on another machine."""
    monkeypatch.setattr(execute, "PATIENCE", 0.0)
    true_task, failed = execute.run_task, []

    def late(spec, *inputs):
        if spec.step_id == "clean" and not failed:
            master = Store(Path(spec.store)).file(spec.ops[-1].masters["dark"])
            failed.append(master)
            raise DamagedError("not there yet", master)
        return true_task(spec, *inputs)

    monkeypatch.setattr(execute, "run_task", late)
    bench.execute(tmp_path / "out")
    assert failed
    assert (tmp_path / "out" / bench.name).read_bytes() == bench.final


def test_damage_that_comes_again_and_again_is_an_error(bench, tmp_path, monkeypatch):
    true_task = execute.run_task

    def bad(spec, *inputs):
        if spec.step_id == "clean":
            master = Store(Path(spec.store)).file(spec.ops[-1].masters["dark"])
            master.unlink(missing_ok=True)
            raise DamagedError("damaged for good", master)
        return true_task(spec, *inputs)

    monkeypatch.setattr(execute, "run_task", bad)
    with pytest.raises(DamagedError, match="for good"):
        bench.execute(tmp_path / "out")


def test_provenance_stays_when_pixels_are_gone(tmp_path):
    store = Store(tmp_path)
    one, two = "aa" * 20, "bb" * 20
    store.put(Ref(one, step="first 1"))
    store.put(Ref(two, step="second 1", inputs=(one,)))
    sidecar = store.file(one).with_suffix(".json")
    sidecar.write_text(sidecar.read_text().replace('"size": null', '"size": 5760'))
    assert store.get(one) is None
    assert [a.step for a in store.ancestry(two)] == ["second 1", "first 1"]


def test_times_of_shares_without_fractions_are_one():
    at = 1_700_000_000_123_456_789
    assert same_time(at, at)
    assert same_time(at, at - at % 1_000_000_000)
    assert same_time(at, at - 89)
    assert not same_time(at, at + 1_000_000)
    assert not same_time(at - at % 1_000_000_000, at + 1_000_000_000)


def test_an_unreadable_source_is_no_fault_of_the_frame(tmp_path):
    from coldframe.errors import SetAside

    path = tmp_path / "x"
    path.write_bytes(b"abc")

    def read(fault):
        with unchanged(path, None):
            fault()
            raise SetAside("cannot be read")

    with pytest.raises(SetAside):
        read(lambda: None)
    with pytest.raises(SourceError, match="x was there when the run was planned and is now gone"):
        read(path.unlink)


def test_the_report_counts_what_happened(bench):
    good, bad = bench.try_fault(0), faultsim.Outcome(5, "power_cut", "-9", wrong=["x differs"])
    text = faultsim.report(bench, [good, bad])
    assert "2 faults: 0 lost, 1 wrong" in text
    assert re.search(r"killed at a task +1 +0 +0 +-?\d+\.\d", text)
    assert "seed 5 (power_cut): x differs" in text
