"""Masters found quickly are those that comparing every one gives; a plan grows with its frames."""

import cProfile
import pstats
import resource
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from coldframe.estimate import BUILT_IN, estimate
from coldframe.execute import pending
from coldframe.frame import FrameInfo, Kind
from coldframe.graph import compile_plan
from coldframe.interpolation import Doubling
from coldframe.keys import key_of, quoted, text_of
from coldframe.nearest import Nearest
from coldframe.planned import Resources
from coldframe.plugins import find_plugins
from coldframe.recipe import load_recipe
from coldframe.recipe_document import find_recipe
from coldframe.scale.season import season
from coldframe.serving import Candidate, Shelf, serve
from coldframe.store import product_key

EVENING = datetime(2026, 1, 1, 20, tzinfo=UTC)
RULES = (
    {},
    {"dark": {"temperature": 1.0, "scale": False, "missing": "stop"}, "flat": {"age_days": 3}},
    {"dark": {"interpolate": True, "temperature": 0.04}, "bias": {"age_days": 10}},
    {"dark": {"temperature": 0.0, "exposure": 0.0}, "flat": {"aperture": 0.0}},
    {"dark": {"temperature": 0.3, "fitted_temperature": 2.0}},
    {"dark": {"interpolate": True, "temperature": 0.04, "fitted_temperature": 2.0}},
)


def some_info(rng, kind, night):
    """Facts from a small set, some of them missing, so that ties and misfits are common."""

    def one_of(*values):
        return values[rng.integers(len(values))]

    day = int(night[1:]) if night else int(rng.integers(20))
    start = EVENING + timedelta(days=day, minutes=int(rng.integers(0, 3)) * 30)
    return FrameInfo(
        kind=kind, camera=one_of("A", "A", "A", "B", None), iso=one_of(100, 800, 800, None),
        exposure=one_of(60.0, 60.0, 60.5, 120.0, 30.0, None), optics=one_of("x", "x", None),
        lens=one_of("l", None), filter=one_of("L", "R", None), aperture=one_of(2.8, 2.8, 4.0, None),
        temperature=one_of(-10.0, -10.0, -9.5, -8.0, float(np.round(rng.normal(-9, 2), 1)), None),
        start=one_of(start, start, None), night=night or None, shape=(10, 10), cfa="RGGB",
        black=one_of((500.0,), (500.0,), None),
    )  # fmt: skip


@pytest.mark.parametrize("rules", RULES, ids=range(len(RULES)))
def test_the_quick_way_gives_the_same_masters(rules):
    rng = np.random.default_rng(3)
    by_kind = {}
    for kind in (Kind.DARK, Kind.FLAT, Kind.BIAS, Kind.DARK_FLAT):
        by_kind[kind] = []
        for i in range(40):
            night = ["", "n1", "n2", "n3"][rng.integers(4)]
            own = night if rng.random() < 0.7 else ""
            library = bool(rng.random() < 0.2)
            info = some_info(rng, kind, night)
            by_kind[kind].append(
                Candidate(
                    f"{kind}{i}", info, f"{kind} {i}", library=library, night="" if library else own,
                    age_days=[None, None, 2.0][rng.integers(3)],
                    stands_in=kind is Kind.BIAS and not library and bool(rng.random() < 0.2),
                )
            )  # fmt: skip
    if "interpolate" in rules.get("dark", {}):  # a dark of unknown temperature fits every frame
        by_kind[Kind.DARK] = [c for c in by_kind[Kind.DARK] if c.info.temperature is not None]
    shelf = Shelf(Path("shelf"), doublings={"A": Doubling(6.0, 0.3, 5, -20.0, 5.0)})
    quick = Nearest(by_kind, rules, shelf)
    met = set()
    for _ in range(300):
        frame = some_info(rng, Kind.LIGHT, ["", "n1", "n2", "n3"][rng.integers(4)])
        slow = serve(frame, by_kind, rules, shelf)
        for one, other in zip(slow, quick.serve(frame), strict=True):
            assert other.kind is one.kind
            assert other.chosen == one.chosen
            assert other.blend == one.blend
            assert other.note == one.note
            assert other.found.distances == one.found.distances
            assert other.found.total == one.found.total
            met.add((one.chosen is not None, one.blend is not None))
    assert {(True, False), (False, False)} <= met
    assert ((False, True) in met) == ("interpolate" in rules.get("dark", {}))


def test_keys_of_pieces_are_the_keys_of_the_whole():
    params = {"b": 1.5, "a": ["\u00e9", None, True], "c": {"z": 1, "y": 'quote "'}}
    parts = ("frame", "add", "1", params, 7, "ab12", {"dark": "cd"}, "", "ef")
    texts = (quoted("frame"), text_of("add", "1", params), text_of(7), quoted("ab12"),
             text_of({"dark": "cd"}), quoted("", "ef"))  # fmt: skip
    assert key_of(*texts) == product_key(*parts)


def plan_of(count, store):
    registry = find_plugins()
    recipe = load_recipe(find_recipe("camera-lens"), registry)
    frames = season(count)
    nights = list(dict.fromkeys(info.night for info, _ in frames))
    plan = compile_plan(
        recipe, frames, registry, store=store, output=store / "out",
        resources=Resources(2, 8 << 30), nights=nights,
    )  # fmt: skip
    return plan, pending(plan)


def test_the_work_of_planning_grows_as_the_number_of_frames(tmp_path):
    """Calls of functions are counted, not time: a loop over all frames for each would show."""
    calls = {}
    for count in (1250, 5000):
        plan_of(300, tmp_path)  # what is loaded once is loaded
        watch = cProfile.Profile()
        watch.enable()
        plan, todo = plan_of(count, tmp_path)
        watch.disable()
        assert len(plan.tasks) > 1.8 * count
        assert set(todo) <= set(plan.tasks)
        calls[count] = pstats.Stats(watch).total_calls
    assert calls[5000] < 1.15 * 4 * calls[1250]


@pytest.mark.slow
def test_a_hundred_thousand_frames_are_planned_in_a_minute_and_four_gib(tmp_path):
    """Of one core's time, so that other work on the machine does not count."""
    begun = time.process_time()
    plan, todo = plan_of(100_000, tmp_path)
    planned = time.process_time() - begun
    estimate(plan, todo, Resources(2, 8 << 30), BUILT_IN, find_plugins())
    took = time.process_time() - begun
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    print(f"{len(plan.tasks)} tasks in {planned:.1f} s, with their cost in {took:.1f} s, "
          f"{peak / 2**30:.2f} GiB")  # fmt: skip
    assert took < 60
    assert peak < 4 << 30
