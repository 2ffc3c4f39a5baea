"""Helps tests of many nights: an invented mono camera with one filter, and tasks counted as done."""

from collections import Counter
from dataclasses import replace

from coldframe.demo import night as demo_night
from coldframe.demo.night import make_night
from coldframe.demo.scenario import scenario
from coldframe.prepared import Request
from coldframe.session import prepare, run


def small_scenario(kind, size):
    """One filter, few frames, few enough stars that sky is seen between them."""
    made = scenario("mono", "tiny")
    one = {name: getattr(made, name)[:1] for name in (
        "bands", "flat_exposure", "star_bands", "sky", "nebula_shell", "nebula_core")}  # fmt: skip
    return replace(
        made, **one, shape=(300, 400), lights=(7,), flats=6, biases=6, stars_per_megapixel=2000,
        dark_sets=((6, -10.0),),
    )  # fmt: skip


def make_nights(folder, count, monkeypatch, seed=4):
    monkeypatch.setattr(demo_night, "scenario", small_scenario)
    places = [folder / f"night-{n + 1}" for n in range(count)]
    return places, [make_night(p, "tiny", seed, "mono", n) for n, p in enumerate(places)]


def run_nights(nights, output, registry, **more):
    """(the record, prepared run, what was done: counts by kind of task and step).

    Without what the report proves its figures with.
    """
    more = {"compare_masters": 0, "use_library": False, **more}
    request = Request(tuple(nights), output, output / "store", recipe="cooled-mono", **more)
    prepared = prepare(request, registry)
    done = Counter()

    def watch(spec, ref):
        if ref is not None:
            done[type(spec).__name__, spec.step_id] += 1

    return run(prepared, registry, watch), prepared, done
