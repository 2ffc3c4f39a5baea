"""Nights whose masters are missing or do not fit, run as a user runs them, against the truth."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import mastersim as sim
import pytest
from tests.sharing import typed

from coldframe.product import read_frame


@pytest.fixture(scope="session")
def night(made_once, draw_stars):
    """night(name): a folder with that night's frames."""

    def no_bias(w):
        w.lights(6)
        w.darks()
        w.flats()

    def far_darks(w):
        w.lights(6)
        w.darks(temperature=sim.WARM - 9.8)
        w.flats()
        w.biases()

    def late_lights(w):
        w.lights(5)
        w.lights(2, day=40)
        w.darks()
        w.flats()
        w.biases()

    def no_flats(w):
        w.lights(4)
        w.darks()

    makers = {f.__name__: f for f in (no_bias, far_darks, late_lights, no_flats)}

    def make(name):
        return made_once(name, lambda folder: makers[name](sim.Writer(folder, draw_stars)))

    return make


class Done:
    """A plan and a run of one night, as typed."""

    def __init__(self, folder, output, *words):
        asked = (folder, "-o", output, "--no-library", "--compare-masters", "0", *words)
        self.plan = json.loads(typed("plan", *asked, "--json").stdout)
        result = typed("run", *asked)
        assert result.returncode == 0, result.stderr
        self.said, self.out = result.stderr, result.stdout
        self.manifest = json.loads((Path(output) / "coldframe-run.json").read_text())
        self.page = (Path(output) / "report.html").read_text()
        self.stack = read_frame(next(Path(output).glob("*-stack.fits"))).data

    @property
    def aside(self):
        return [f for f in self.manifest["frames"] if not f["used"]]

    def told_everywhere(self, words):
        """A cost stands in the terminal, the report and the manifest."""
        assert [c for c in self.manifest["costs"] if words in c], self.manifest["costs"]
        assert words in self.out
        assert words in self.page


def test_without_a_bias_lights_are_stacked_and_it_is_said(night, tmp_path):
    """Nebula within 2% of the truth; the darks were shot at the lights' own temperature."""
    done = Done(night("no_bias"), tmp_path / "o")
    assert done.manifest["recipe"]["name"] == "camera-telescope"
    assert not done.aside
    assert sim.nebula_ratio(done.stack) == pytest.approx(1.0, abs=0.02)
    (warning,) = [w for w in done.plan["warnings"] if "not scaled" in w]
    assert "6 frames" in warning
    assert warning in done.manifest["warnings"]
    assert [w for w in done.plan["warnings"] if "stands in" in w and "8 frames" in w]
    done.told_everywhere("6 of 6 lights have a dark that could not be scaled")
    for frame in done.manifest["frames"]:
        if frame["kind"] == "light":
            # Truth: dark current doubles every 6 °C from the darks' temperature.
            more = 100 * (2 ** ((frame["temperature"] - sim.WARM) / 6) - 1)
            assert frame["measures"]["dark_unmatched"] == pytest.approx(more, abs=2)


def test_a_dark_10_degrees_off_is_fitted(night, tmp_path):
    """Nebula within 2% of the truth, one warning, and better darks in the shot list."""
    folder = night("far_darks")
    done = Done(folder, tmp_path / "o")
    assert not done.aside
    assert sim.nebula_ratio(done.stack) == pytest.approx(1.0, abs=0.02)
    (warning,) = [w for w in done.plan["warnings"] if "its scale is fitted" in w]
    assert "6 frames" in warning
    assert "10.8 °C off" in warning
    assert done.said.count("°C off") == 1
    done.told_everywhere("6 of 6 lights have a dark up to 10.8 °C off, scaled by")
    for frame in done.manifest["frames"]:
        if frame["kind"] == "light":
            truth = 2 ** ((frame["temperature"] - sim.WARM + 9.8) / 6)
            assert frame["measures"]["dark_scale"] == pytest.approx(truth, rel=0.03)
    asked = json.loads(typed("shotlist", folder, "--json", "--no-library").stdout)
    darks = [i for i in asked["items"] if i["kind"] == "dark"]
    assert sum(i["shoot"] for i in darks) >= 6
    assert all(abs(i["temperature"] - sim.WARM) <= 1.0 for i in darks)


def test_lights_without_a_flat_are_not_averaged_with_those_that_have_one(night, tmp_path):
    """Stars in the corners within 3% of those in the middle; stacked all the same they lose more."""
    folder = night("late_lights")
    done = Done(folder, tmp_path / "o")
    assert Counter(f["step"] for f in done.aside) == {"clean": 2}
    assert all("5 comparable lights have one" in f["reason"] for f in done.aside)
    assert len(done.plan["set_aside"]) == 2
    assert done.said.count("no flat serves") == 1
    (line,) = done.plan["set_aside_lines"]
    assert "2 frames" in line
    remedy = line.split("all the same: ")[1].split(" (")[0].split()
    good = sim.corner_stars(done.stack)
    forced = Done(folder, tmp_path / "o", *remedy)
    assert not forced.aside
    forced.told_everywhere("2 of 7 lights have no master flat")
    assert good == pytest.approx(1.0, abs=0.03)
    assert sim.corner_stars(forced.stack) < good - 0.05


def test_where_no_light_has_a_flat_all_are_stacked_and_the_cost_is_said(night, tmp_path):
    """Truth: the simulated vignetting, and with it the sky's, in the corners."""
    done = Done(night("no_flats"), tmp_path / "o")
    assert not done.aside
    done.told_everywhere("4 of 4 lights have no master flat: vignetting and dust stay")
    (cost,) = [c for c in done.manifest["costs"] if "no master flat" in c]
    told = float(cost.split("the sky is ")[1].split("%")[0])
    truth = 100 * (1 - sim.RESPONSE[0, 0] / sim.RESPONSE[160, 240])
    assert told == pytest.approx(truth, abs=4)
    assert len([w for w in done.plan["warnings"] if "no flat serves" in w]) == 1
