"""Several nights of one target by the shipped recipe: what is made, how deep, and what a night
added later costs."""

import json
from collections import Counter

import numpy as np
import pytest
import seasons
from scipy.ndimage import gaussian_filter

from coldframe.cli.main import run_command_line
from coldframe.demo.night import invent
from coldframe.product import read_frame
from coldframe.session import prepare
from coldframe.specs import FrameTask
from coldframe.store import Store

SEED = 4


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    """Two nights, then a third added: folders, truths, both runs' records, plans and work done."""
    from coldframe.plugins import find_plugins

    folder = tmp_path_factory.mktemp("season")
    with pytest.MonkeyPatch.context() as patch:
        places, truths = seasons.make_nights(folder, 3, patch, SEED)
    registry, out = find_plugins(), folder / "out"
    first = seasons.run_nights(places[:2], out, registry)
    before = {p.name: p.stat().st_mtime_ns for p in out.glob("Lantern*")}
    then = seasons.run_nights(places, out, registry)
    return places, truths, out, first, then, before


def stacks(record):
    return {p.label.split(" · ")[-1]: p for p in record.products if p.uses == "integrate"}


def test_each_night_and_all_nights_have_their_products(season):
    _, _, out, (record, _, _), _, before = season
    assert set(stacks(record)) == {"night-1", "night-2", "2 nights"}
    start = "Lantern-Nebula-L"
    for middle in ("", "-night-1", "-night-2"):
        for end in ("-stack.fits", "-final.fits", "-final.tiff", "-final.png"):
            assert f"{start}{middle}{end}" in before
    nights = stacks(record)
    frames = {name: set(p.frames) for name, p in nights.items()}
    assert frames["2 nights"] == frames["night-1"] | frames["night-2"]
    assert read_frame(out / f"{start}-night-2-stack.fits").measures["frames"] == len(
        frames["night-2"]
    )


def test_a_night_added_computes_that_night_and_the_stack_of_all_only(season):
    places, _, _, _, (record, prepared, done), _ = season
    new = {f.id for f in record.frames if f.info.path.startswith(str(places[2]))}
    assert not any(  # nothing of the old nights is read or registered again
        isinstance(spec, FrameTask) and spec.source.digest and spec.source.night != "night-3"
        for spec, _ in prepared.tasks.values()
    )
    lights = [
        f for f in record.frames if f.id in new and f.info.kind == "light" and f.step != "inspect"
    ]
    kinds = Counter(f.info.kind.value for f in record.frames if f.id in new)
    expected = {
        ("FrameTask", "bias-frames"): kinds["bias"], ("FrameTask", "dark-flats"): kinds["dark-flat"],
        ("FrameTask", "flat-clean"): kinds["flat"],
        ("FrameTask", "clean"): len(lights), ("FrameTask", "aligned"): len(lights),
        ("DecideTask", "aligned"): 1,  # the night's own; the reference stays the first night's
        ("DecideTask", "stack"): 2, ("StackTask", "stack"): 2,  # night 3, and all three
        ("FrameTask", "final"): 2, ("OutputTask", "stack"): 2, ("OutputTask", "final"): 6,
    }  # fmt: skip
    for step in ("bias", "dark-flat", "flat"):
        expected |= {("DecideTask", step): 1, ("StackTask", step): 1}
    done = {key: n for key, n in done.items() if key[1] != "compare masters"}
    bands = {key: n for key, n in done.items() if key[0] == "BandTask"}
    assert {key: n for key, n in done.items() if key not in bands} == expected
    assert set(bands) == {("BandTask", s) for s in ("bias", "dark-flat", "flat", "stack")}


def test_the_proof_in_the_report_costs_a_few_lights_however_many_nights(season):
    """The figures are proved for the new stack of all nights by a sample of its lights."""
    from coldframe.plugins import find_plugins
    from coldframe.prepared import Request

    places, _, out, _, _, _ = season
    request = Request(tuple(places), out, out / "store", recipe="cooled-mono", use_library=False)
    extra = [spec for spec, _ in prepare(request, find_plugins()).tasks.values()]
    assert {spec.step_id for spec in extra} == {"compare masters"}
    frames = [spec for spec in extra if isinstance(spec, FrameTask)]
    lights = {spec.source.digest for spec in frames}
    assert 1 <= len(lights) <= 6


def test_what_earlier_nights_made_is_left_alone(season):
    _, _, out, first, then, before = season
    after = {p.name: p.stat().st_mtime_ns for p in out.glob("Lantern*")}
    for name, time in before.items():
        assert (after[name] == time) == ("night-" in name), name
    old, new = stacks(first[0]), stacks(then[0])
    for night in ("night-1", "night-2"):
        assert old[night].id == new[night].id
        assert new[night].files == old[night].files


def test_adding_a_night_ends_as_running_all_at_once(season, tmp_path):
    from coldframe.plugins import find_plugins

    places, _, out, _, _, _ = season
    seasons.run_nights(places, tmp_path / "out", find_plugins(), scheduler="sync")
    once = {p.name: p.read_bytes() for p in (tmp_path / "out").glob("Lantern*")}
    assert once == {p.name: p.read_bytes() for p in out.glob("Lantern*")}


def test_the_stack_of_all_nights_is_deeper_as_theory_says(season):
    """The variance of a weighted mean of independent samples is sum w^2 s^2 / (sum w)^2 (Aitken
    1936). The masters' noise is shared by the frames, which costs the stacks some per cent."""
    _, _, out, _, (record, prepared, _), _ = season
    store = Store(out / "store")
    noise = {name: p.measures["noise"] for name, p in stacks(record).items()}
    for key in prepared.plan.decisions["stack"]:
        ref = store.get(key)
        w, s = (np.array(ref.columns[name]) for name in ("weight", "matched_noise"))
        expected = np.sqrt(np.sum(w**2 * s**2)) / w.sum()
        name = prepared.plan.tasks[key][0].label.split(" · ")[-1]
        assert 0.98 * expected < noise[name] < 1.10 * expected, name
    nights = np.array([noise[f"night-{n}"] for n in (1, 2, 3)])
    best = 1 / np.sqrt(np.sum(nights**-2.0))
    assert 0.95 * best < noise["3 nights"] < 1.1 * best
    assert noise["3 nights"] < 0.7 * nights.min()


def test_all_nights_share_one_reference_of_the_first(season):
    places, truths, _, _, (record, _, _), _ = season
    used = [f for f in record.frames if f.used and f.info.kind == "light"]
    references = [f for f in used if f.measures["residual"] == 0.0]
    assert [f.info.path.startswith(str(places[0])) for f in references] == [True]
    # The shift found is the one the sky was drawn with, for frames of every night.
    shots = {name: shot for truth in truths for name, shot in truth.lights.items()}
    height, width = truths[0].shape
    centre = np.array([(height - 1) / 2]), np.array([(width - 1) / 2])
    base = shots[references[0].info.label].view.projection
    for frame in used:
        at = shots[frame.info.label].view.projection.to_pixel(*base.to_sky(*centre))
        shift = at[0][0] - centre[0][0], at[1][0] - centre[1][0]
        assert frame.measures["shift_y"] == pytest.approx(shift[0], abs=0.25)
        assert frame.measures["shift_x"] == pytest.approx(shift[1], abs=0.25)
    assert len({f.info.night for f in used}) == 3


def test_each_night_is_served_by_its_own_flats_and_the_first_nights_darks(season, monkeypatch):
    _, _, out, _, (record, _, _), _ = season
    masters = {m.id: m for m in record.masters}
    for frame in record.frames:
        if not frame.used or frame.info.kind != "light":
            continue
        served = {use.kind: masters[use.product].info for use in frame.masters}
        assert served["flat"].night == served["bias"].night == frame.info.night
        assert served["dark"].night == "night-1"
    # Dust differs from night to night: each master flat shows its own night's, not another's.
    store = Store(out / "store")
    monkeypatch.setattr("coldframe.demo.night.scenario", seasons.small_scenario)
    dust = {}
    for n in range(3):
        truth = invent("mono", "tiny", SEED, n).truth
        clean = truth.optics.response(truth.shape, ())
        dust[f"night-{n + 1}"] = truth.optics.response(truth.shape, truth.dust) / clean
    for master in record.masters:
        if master.step != "flat":
            continue
        flat = gaussian_filter(store.frame(master.id).data, 2.0)
        flat = flat / gaussian_filter(flat, 25.0)
        likeness = {
            night: np.corrcoef(flat.ravel(), (d / gaussian_filter(d, 25.0)).ravel())[0, 1]
            for night, d in dust.items()
        }
        own = likeness.pop(master.info.night)
        assert own > 0.6
        assert max(likeness.values()) < 0.2


def test_a_nights_file_gives_the_same_plan_and_the_flag_leaves_out_the_nights_own(
    season, tmp_path, capsys
):
    places, _, out, _, _, _ = season
    listed = tmp_path / "nights.yaml"
    listed.write_text("".join(f"- {place}\n" for place in places[:2]))
    how = ["plan", "--nights", str(listed), str(places[2]), "-o", str(out), "--no-library",
           "--store", str(out / "store"), "--compare-masters", "0", "--json"]  # fmt: skip
    assert run_command_line(how) == 0
    facts = json.loads(capsys.readouterr().out)
    assert facts["tasks"]["to_do"] == 0
    groups = [g["group"].split(" · ")[-1] for g in facts["groups"] if g["step"] == "stack"]
    assert groups == ["3 nights", "night-1", "night-2", "night-3"]
    assert run_command_line([*how, "--combined-only"]) == 0
    facts = json.loads(capsys.readouterr().out)
    groups = [g["group"].split(" · ")[-1] for g in facts["groups"] if g["step"] == "stack"]
    assert groups == ["3 nights"]


def test_another_first_night_is_another_reference(season):
    from coldframe.plugins import find_plugins
    from coldframe.prepared import Request

    places, _, out, _, _, _ = season
    turned = Request(
        (places[1], places[0]), out, out / "store", recipe="cooled-mono", use_library=False
    )
    prepared = prepare(turned, find_plugins())
    again = {spec.step_id for spec, _ in prepared.tasks.values()}
    assert "aligned" in again
    assert "clean" not in again
