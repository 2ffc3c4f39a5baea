"""A plugin whose every hook fails costs no run and no frame, and is told by name and hook."""

import json
from dataclasses import replace

import pluggy
import pytest
import sim_frames

from coldframe import hooks, specs
from coldframe.cli.main import run_command_line
from coldframe.errors import SetAside
from coldframe.frame import FrameInfo
from coldframe.hooks import Section, hookimpl
from coldframe.optional_hooks import HookFaults, fix_metadata, report_sections, star_gauge
from coldframe.plugins import Origin, find_plugins

RECIPE = """\
recipe: 1
name: plain
about: an average
inputs: {lights: {kind: light}}
steps:
  stack: {use: combine, from: lights}
outputs:
  stack: {fits: {}, awkward: {}}
"""


class AwkwardGauge:
    name, version = "awkward", "1"

    def measure(self, frame):
        raise KeyError("stars")

    def same_field(self, own, other):
        raise ZeroDivisionError("no stars")


class AwkwardWriter:
    name, version, about, params = "awkward", "1", "Fails", {}

    def write(self, frame, folder, stem, params):
        (folder / "half").write_text("")
        raise TypeError("no such format")


class Awkward:
    @hookimpl
    def coldframe_writers(self):
        return [AwkwardWriter()]

    @hookimpl
    def coldframe_fix_metadata(self, info, header):
        raise KeyError("GAINX")

    @hookimpl
    def coldframe_report_sections(self, record):
        raise RuntimeError("no plot today")

    @hookimpl
    def coldframe_star_gauge(self):
        return AwkwardGauge()


class NoLicence:
    @hookimpl
    def coldframe_star_gauge(self):
        raise OSError("no licence")


@pytest.fixture(scope="module")
def awkward():
    """The installed plugins, and one whose hooks are asked first and fail."""
    registry = find_plugins()
    plugin = Awkward()
    registry.manager.register(plugin, name="zz")
    registry.manager.register(NoLicence(), name="zzz")
    return replace(
        registry,
        writers={**registry.writers, "awkward": AwkwardWriter()},
        origins={**registry.origins, "writer:awkward": Origin("zz", "zz-package", "1", "zz")},
    )


@pytest.fixture(scope="module")
def run(awkward, tmp_path_factory):
    """What one run with that plugin gives: exit code, what it said, the manifest, the report."""
    folder = tmp_path_factory.mktemp("awkward")
    sim_frames.write(folder / "night", "light", 6, exposure=60.0, light=20.0)
    (folder / "plain.yaml").write_text(RECIPE)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("coldframe.plugins.find_plugins", lambda: awkward)
        patch.setattr(specs, "worker_registry", lambda: awkward)
        patch.setattr("coldframe.tasks.worker_registry", lambda: awkward)
        code = run_command_line(
            ["run", str(folder / "night"), "-o", str(folder / "out"), "--scheduler", "sync",
             "--recipe", str(folder / "plain.yaml")]
        )  # fmt: skip
    manifest = json.loads((folder / "out" / "coldframe-run.json").read_text())
    return code, manifest, (folder / "out" / "report.html").read_text()


def test_the_run_is_whole_and_used_every_frame(run):
    code, manifest, _ = run
    assert code == 0
    assert manifest["state"] == "done"
    assert [frame["used"] for frame in manifest["frames"]] == [True] * 6
    assert [file["name"].rsplit(".")[-1] for file in manifest["files"]] == ["fits"]


@pytest.mark.parametrize(
    "said",
    [
        "plugin 'zz': its hook coldframe_fix_metadata failed for 6 frames",
        "plugin 'zz': its hook coldframe_star_gauge (measure) failed for 6 frames",
        "plugin 'zzz': its hook coldframe_star_gauge failed and is left out: OSError: no licence",
        "plugin 'zz': its hook coldframe_report_sections failed and is left out: RuntimeError: "
        "no plot today",
        "plugin 'zz': its writer 'awkward' failed and wrote nothing: TypeError: no such format",
    ],
)
def test_each_failed_hook_is_one_line_of_the_manifest_and_the_report(run, said):
    _, manifest, report = run
    assert [said in line for line in manifest["warnings"]].count(True) == 1
    if "report_sections" not in said:
        assert said.replace("'", "&#39;") in report


def test_every_hook_is_tried_here_or_by_the_tests_of_plugins():
    # Steps, readers and writers that cannot be had at all: tests/core/test_plugins.py.
    asked_at_start = {"coldframe_steps", "coldframe_readers", "coldframe_writers"}
    every = {name for name in vars(hooks) if name.startswith("coldframe_")}
    assert every - asked_at_start == {n for n in vars(Awkward) if n in every - asked_at_start}


def manager_of(*plugins):
    manager = pluggy.PluginManager(hooks.PROJECT)
    manager.add_hookspecs(hooks)
    for number, plugin in enumerate(plugins):
        manager.register(plugin, name=f"p{number}")
    return manager


def test_what_a_hook_should_not_return_is_left_out_and_the_next_plugin_is_asked():
    class Sound:
        @hookimpl
        def coldframe_fix_metadata(self, info):  # takes what it needs, as pluggy allows
            return replace(info, camera="Toy")

        @hookimpl
        def coldframe_report_sections(self, record):
            return [Section("Toy", 5, f"<p>{record}</p>")]

    class Wrong:
        @hookimpl
        def coldframe_fix_metadata(self, info, header):
            return {"camera": "Wrong"}

        @hookimpl
        def coldframe_report_sections(self, record):
            return [Section("Wrong", 5, None)]

        @hookimpl
        def coldframe_star_gauge(self):
            return object()

    manager, faults = manager_of(Sound(), Wrong()), HookFaults()
    assert fix_metadata(manager, faults, FrameInfo(path="a.dng"), {}).camera == "Toy"
    assert [section.html for section in report_sections(manager, faults, "r")] == ["<p>r</p>"]
    assert star_gauge(manager, faults) is None
    fixer, sections, gauge = faults.take()
    assert "for a.dng and is left out: PluginError: it returned dict, not FrameInfo" in fixer
    assert "the html of a section is NoneType" in sections
    assert "has no method" in gauge
    assert faults.take() == ()


def test_a_gauge_that_sets_a_frame_aside_is_no_fault():
    class Gauge(AwkwardGauge):
        def measure(self, frame):
            raise SetAside("has no usable pixels")

    class Plugin:
        @hookimpl
        def coldframe_star_gauge(self):
            return Gauge()

    faults = HookFaults()
    gauge = star_gauge(manager_of(Plugin()), faults)
    with pytest.raises(SetAside):
        gauge.measure(None)
    assert faults.take() == ()
