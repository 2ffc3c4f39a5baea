"""What a plan says of missing masters is what a run does: over every combination of kinds.

The truth is the simulated camera's, and each calibrated frame's own history.
"""

from __future__ import annotations

import itertools
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from coldframe.errors import UsageError
from coldframe.execute import pending, run_plan
from coldframe.frame import FrameInfo, Kind
from coldframe.graph import compile_plan
from coldframe.planned import Resources, frame_id
from coldframe.plugins import find_plugins
from coldframe.recipe import load_recipe
from coldframe.recipe_document import find_recipe
from coldframe.store import Store

SHAPE = (48, 64)
ISOS = (800, 1600)
SKY = 300.0  # ADU
OFFSET = 500.0  # ADU
RECIPES = ("camera-lens", "camera-telescope", "cooled-mono", "cooled-colour", "lights-only")
CHOICES = {
    "bias": ("none", "one ISO", "all"),
    "dark": ("none", "one ISO", "all", "far"),
    "flat": ("none", "all"),
    "dark-flat": ("none", "all"),
}
COUNTS = re.compile(r"(\d+) frames \(|^step '[^']+': ([^:]+\.fits): ")


@pytest.fixture(scope="module")
def frames(tmp_path_factory):
    """Infos by (kind, ISO, far): two frames of each; lights and flats of both ISOs."""
    from astropy.io import fits

    folder = tmp_path_factory.mktemp("frames")
    rng = np.random.default_rng(3)
    hot = rng.choice(SHAPE[0] * SHAPE[1], 60, replace=False)
    current = np.full(SHAPE, 5.0)
    current.ravel()[hot] = rng.uniform(800, 3000, hot.size)
    levels = {"light": SKY, "flat": 9000.0}
    out: dict[tuple[str, int, bool], list[FrameInfo]] = {}
    for kind, iso, far in itertools.product(
        ("light", "flat", "bias", "dark", "dark-flat"), ISOS, (0, 1)
    ):
        if far and kind != "dark":
            continue
        exposure = {"light": 60.0, "dark": 60.0, "flat": 1.0, "dark-flat": 1.0, "bias": 0.001}[kind]
        growth = (2.0 ** (-9.8 / 6) if far else 1.0) * exposure / 60
        for i in range(2):
            data = OFFSET + levels.get(kind, 0.0) + current * growth + rng.normal(0, 4, SHAPE)
            name = folder / f"{kind}-{iso}-{far}-{i}.fits"
            fits.PrimaryHDU(np.rint(data).astype(np.uint16)).writeto(name)
            info = FrameInfo(
                kind=Kind(kind), path=str(name), digest=f"{len(out):010}{i:010}", camera="Aurel K1",
                iso=iso, exposure=exposure, temperature=20.0 - 9.8 * far, shape=SHAPE, cfa="RGGB",
                optics="tube", target="T" if kind == "light" else None, night="n",
            )  # fmt: skip
            out.setdefault((kind, iso, bool(far)), []).append(info)
    return out


def chosen(frames, kinds, black):
    """The frames of a night that has the given kinds."""
    infos = [i for iso in ISOS for i in frames["light", iso, False]]
    for kind, which in kinds.items():
        isos = {"none": (), "one ISO": ISOS[:1]}.get(which, ISOS)
        infos += [i for iso in isos for i in frames[kind, iso, which == "far"]]
    return [(replace(i, black=(OFFSET,) if black else None), "fits") for i in infos]


def names(infos):
    return {Path(info.path).name for info in infos}


@pytest.mark.parametrize("recipe", RECIPES)
def test_plan_and_run_agree_whatever_is_missing(frames, tmp_path, recipe):
    registry = find_plugins()
    loaded = load_recipe(find_recipe(recipe), registry)
    step = "clean" if "clean" in loaded.steps else next(iter(loaded.steps))
    nights = [dict(zip(CHOICES, c, strict=True)) for c in itertools.product(*CHOICES.values())]
    if recipe in ("lights-only", "cooled-colour"):
        nights = nights[
            ::11
        ]  # the first takes no masters, the second differs from cooled-mono in none
    seen = set()
    for kinds, black in itertools.product(nights, (False, True)):
        night = chosen(frames, kinds, black)
        lights = names(i for i, _ in night if i.kind is Kind.LIGHT)
        plan = compile_plan(
            loaded, night, registry, store=tmp_path / "store", output=tmp_path,
            resources=Resources(1, 1 << 29), goals=[step],
        )  # fmt: skip
        run_plan(plan, pending(plan), scheduler="sync")
        store = Store(tmp_path / "store")
        made = {item.sources[0]: (item, store.known(item.key)) for item in plan.flows[step]}
        ids = {frame_id(i): Path(i.path).name for i, _ in night}
        where = f"{recipe}, {kinds}, black level {black}"
        # What the plan lets through is made; what it sets aside is the rest.
        assert all(ref is not None and not ref.aside for _, ref in made.values()), where
        used = {ids[key] for key in made}
        aside = names(one.info for one in plan.set_aside)
        assert used | aside == lights, where
        assert not used & aside, where
        # The masters the plan names are those that a light's history tells.
        told = {"flat": 0, "dark": 0, "not scaled": 0, "fitted": 0}
        for item, ref in made.values():
            frame = store.frame(item.key)
            said = frame.history[-1]
            kinds_of = {use.kind for use in item.masters}
            assert ("divided by flat" in said) == ("flat" in kinds_of), (where, said)
            assert ("dark" in said.split("subtracted")[0]) == ("dark" in kinds_of), (where, said)
            told["flat"] += "flat" not in kinds_of
            told["dark"] += "dark" not in kinds_of
            told["not scaled"] += "not scaled" in said
            told["fitted"] += any("fitted" in use.note for use in item.masters)
            if any("fitted" in use.note for use in item.masters):
                # A dark flat of 1 s that stands in for the bias holds 1/60 of the light's signal.
                base = 1 / 60 if any("stands in" in use.note for use in item.masters) else 0.0
                truth = (1 - base) / (2 ** (-9.8 / 6) - base)
                assert ref.measures["dark_scale"] == pytest.approx(truth, rel=0.02), where
        # A kind that some of the lights have, all that are used have.
        assert told["flat"] in (0, len(used)), where
        assert told["dark"] in (0, len(used)), where
        # Every makeshift is said in one line with the number of frames it holds for.
        for words, key in (("no flat serves", "flat"), ("no dark serves", "dark"),
                           ("not scaled", "not scaled"), ("its scale is fitted", "fitted")):  # fmt: skip
            lines = [w for w in plan.warnings if words in w and f"step '{step}'" in w]
            counts = [int(m[1]) if (m := COUNTS.search(w)) and m[1] else 1 for w in lines]
            if loaded.steps[step].masters:
                assert len(lines) == (told[key] > 0), (where, lines)
                assert sum(counts) == told[key], (where, lines)
        seen.add((bool(aside), told["not scaled"] > 0, told["fitted"] > 0))
    if recipe == "camera-telescope":
        assert {(True, False, False), (False, True, False), (False, False, True)} <= seen


def test_a_recipe_that_wants_masters_refuses_at_the_plan(frames, tmp_path):
    registry = find_plugins()
    recipe = load_recipe(
        find_recipe("camera-lens"), registry, ["clean.match.flat.missing=set-aside"]
    )
    with pytest.raises(UsageError, match=r"nothing to do(.|\n)*no flat serves it"):
        compile_plan(
            recipe, chosen(frames, {"dark": "all"}, False), registry, store=tmp_path / "store",
            output=tmp_path, resources=Resources(1, 1 << 29), goals=["clean"],
        )  # fmt: skip
