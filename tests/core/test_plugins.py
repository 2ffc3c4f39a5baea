"""Plugins: every hook is called, and one broken plugin takes no other down."""

from dataclasses import replace

import pytest
import toy

from coldframe.errors import PluginError, UsageError
from coldframe.frame import FrameInfo
from coldframe.hooks import Section, hookimpl
from coldframe.plugins import check_step, find_plugins
from coldframe.step import FrameStep, MeasureStep, StackStep


class Broken:
    @hookimpl
    def coldframe_steps(self):
        raise OSError("no such library")


class Same:
    @hookimpl
    def coldframe_steps(self):
        return [toy.Add]


def test_a_plugin_whose_hook_fails_is_named_and_the_others_stay():
    registry = toy.registry(zz=Broken())
    assert registry.broken == {"zz": "coldframe_steps: OSError: no such library"}
    assert set(registry.steps) == {"add", "centre", "mean", "peak"}


def test_a_name_that_is_taken_is_refused_with_its_owner():
    registry = toy.registry(zz=Same())
    assert "step:add is already defined by 'toy'" in registry.broken["zz"]


def test_the_installed_plugins_tell_where_they_come_from():
    registry = find_plugins()
    assert registry.broken == {}
    assert registry.origins["step:combine"].package == "coldframe"
    assert {"reader:fits", "reader:camera-raw", "writer:png"} <= set(registry.origins)


def test_metadata_fixers_are_heard():
    class Fixer:
        @hookimpl
        def coldframe_fix_metadata(self, info, header):
            if header.get("MODEL") == "Toy":
                return replace(info, camera="Toy, corrected")
            return None

    registry = toy.registry(fixer=Fixer())
    info = FrameInfo(camera="Toy")
    assert registry.fix_metadata(info, {"MODEL": "Toy"}).camera == "Toy, corrected"
    assert registry.fix_metadata(info, {}) is info


def test_report_sections_are_collected():
    class Reporter:
        @hookimpl
        def coldframe_report_sections(self, record):
            return [Section("Toy", 5, f"<p>{record}</p>")]

    registry = toy.registry(reporter=Reporter())
    (found,) = registry.report_sections("r")
    assert found.html == "<p>r</p>"


def test_an_unknown_step_names_the_nearest():
    with pytest.raises(UsageError, match="no step is called 'ad'; did you mean 'add'"):
        toy.registry().step("ad")


def test_classes_that_break_the_contract_are_refused():
    class Unfinished(StackStep):
        name = "unfinished"

    class NoDefault(MeasureStep):
        name = "no-default"
        params = {"x": {"description": "x"}}

        def measure(self, frame, ctx):
            return {}

    class Nameless(FrameStep):
        def apply(self, frame, ctx):
            return frame

    for step, said in (
        (Unfinished, "does not define reduce"),
        (NoDefault, "parameter 'x': no default"),
        (Nameless, "has no name"),
        (dict, "is not a subclass"),
    ):
        with pytest.raises(PluginError, match=said):
            check_step(step)
