"""Tasks share a budget of bytes: small ones side by side, large ones in their turn."""

import threading
import time

import pytest

from coldframe.budget import MOST_LENT, Budget, Need, budget, limited


class Gauge:
    """Runs tasks in threads and knows how much they held together at most."""

    def __init__(self, needs, total):
        self.needs, self.budget = needs, Budget(total, needs)
        self.lock, self.now, self.most, self.order = threading.Lock(), 0, 0, []

    def work(self, task):
        with self.budget.held(task):
            with self.lock:
                self.order.append(task)
                self.now += self.needs[task].own
                self.most = max(self.most, self.now)
            time.sleep(0.01)
            with self.lock:
                self.now -= self.needs[task].own

    def run(self, tasks):
        threads = [threading.Thread(target=self.work, args=(task,)) for task in tasks]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(20)
            assert not thread.is_alive()


def test_tasks_never_hold_more_than_there_is():
    needs = {f"t{i}": Need(10 + 7 * (i % 5)) for i in range(30)}
    gauge = Gauge(needs, 60)
    gauge.run(needs)
    assert 38 < gauge.most <= 60
    assert len(gauge.order) == 30


def test_a_large_task_is_not_overtaken_for_ever():
    needs = {"first": Need(50), "large": Need(90), **{f"s{i}": Need(50) for i in range(6)}}
    gauge = Gauge(needs, 100)
    held = gauge.budget.held("first")
    held.__enter__()
    threads = []
    for task in ("large", *(f"s{i}" for i in range(6))):
        threads.append(threading.Thread(target=gauge.work, args=(task,)))
        threads[-1].start()
        time.sleep(0.02)
    assert gauge.order == []  # the small ones would fit, but came after the large one
    held.__exit__(None, None, None)
    for thread in threads:
        thread.join(20)
    assert gauge.order[0] == "large"


def test_a_task_larger_than_everything_runs_alone():
    gauge = Gauge({"huge": Need(500), "a": Need(40), "b": Need(40)}, 100)
    gauge.run(["a", "huge", "b"])
    assert gauge.most == 500


def test_masters_are_counted_once_and_loaded_once():
    needs = {f"t{i}": Need(10, {"dark": 50}) for i in range(4)}
    one = Budget(100, needs)
    loads = []

    def work(task, gate):
        with one.held(task):
            gate.wait(10)  # all four are in at a time: 50 + 4 x 10
            one.lent("dark", lambda: loads.append(1) or "pixels")

    gate = threading.Barrier(4)
    threads = [threading.Thread(target=work, args=(task, gate)) for task in needs]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(20)
    assert loads == [1]


def test_masters_that_nobody_uses_make_room():
    needs = {"a": Need(10, {"x": 40, "y": 40}), "b": Need(50, {"y": 40}), "c": Need(10, {"x": 40})}
    one = Budget(100, needs)
    loads = []

    def take(task, *keys):
        with one.held(task):
            return [one.lent(key, lambda key=key: loads.append(key) or key) for key in keys]

    assert take("a", "x", "y") == ["x", "y"]
    take("b", "y")  # x has to go, y is wanted and stays
    take("c", "x")
    assert loads == ["x", "y", "x"]


def test_a_load_that_fails_is_tried_again():
    one = Budget()
    with pytest.raises(OSError, match="gone"):
        one.lent("m", lambda: (_ for _ in ()).throw(OSError("gone")))
    assert one.lent("m", lambda: 5) == 5


def test_without_a_limit_few_masters_stay():
    one = Budget()
    for i in range(3 * MOST_LENT):
        one.lent(str(i), lambda i=i: i)
    loads = []
    for i in range(2 * MOST_LENT, 3 * MOST_LENT):
        one.lent(str(i), lambda i=i: loads.append(i))
    assert loads == []
    one.lent("0", lambda: loads.append(0))
    assert loads == [0]


def test_the_limit_ends_with_the_run():
    before = budget()
    with limited(100, {"t": Need(60)}) as one:
        assert budget() is one
        with budget().held("t"), budget().held("unknown to the plan"):
            pass
    assert budget() is before
