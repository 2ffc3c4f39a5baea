"""Calls hooks that a run can do without: what fails is left out and told, by plugin and hook."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import pluggy

from coldframe.errors import ColdframeError, PluginError
from coldframe.frame import Array, Frame, FrameInfo
from coldframe.hooks import Section, StarGauge

FIX, GAUGE, SECTIONS = (
    "coldframe_fix_metadata",
    "coldframe_star_gauge",
    "coldframe_report_sections",
)


@dataclass(frozen=True)
class HookFaults:
    """What plugins' hooks failed with since it was last taken. Told from any thread."""

    _faults: dict[tuple[str, str, str], list[tuple[str, str]]] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def note(self, plugin: str, hook: str, error: Exception, frame: str = "") -> None:
        """Keep a fault, with the name of the frame that it was about."""
        name = type(error).__name__
        with self._lock:
            faults = self._faults.setdefault((plugin, hook, name), [])
            faults.append((frame, f"{name}: {error}"))

    def take(self) -> tuple[str, ...]:
        """A line for each plugin, hook and sort of error; they are forgotten then."""
        with self._lock:
            faults = dict(self._faults)
            self._faults.clear()
        lines = []
        for (plugin, hook, _), found in sorted(faults.items()):
            frame, said = min(found)  # whichever thread came first
            frames = len({name for name, _ in found if name})
            about = f" for {frame}" if frames == 1 else f" for {frames} frames, such as {frame}"
            lines.append(
                f"plugin '{plugin}': its hook {hook} failed{about if frames else ''} and is left "
                f"out: {said}"
            )
        return tuple(lines)


class GaugeError(PluginError):
    """A plugin's star gauge itself failed, which is no fault of the frame."""


class SafeGauge:
    """A plugin's star gauge; its own faults are noted and become GaugeError."""

    def __init__(self, gauge: StarGauge, plugin: str, faults: HookFaults) -> None:
        self.name, self.version = gauge.name, gauge.version
        self._gauge, self._plugin, self._faults = gauge, plugin, faults

    def measure(self, frame: Frame) -> tuple[Mapping[str, float], Array]:
        """See `hooks.StarGauge`. Raises GaugeError besides."""
        try:
            stars, places = self._gauge.measure(frame)
        except ColdframeError:
            raise
        except Exception as error:  # a stranger's gauge may fail in any way
            raise self._noted("measure", error, frame.info.label) from error
        return stars, places

    def same_field(self, own: Array, other: Array) -> bool:
        """See `hooks.StarGauge`. Raises GaugeError."""
        try:
            return bool(self._gauge.same_field(own, other))
        except Exception as error:  # a stranger's gauge may fail in any way
            raise self._noted("same_field", error) from error

    def _noted(self, method: str, error: Exception, frame: str = "") -> GaugeError:
        self._faults.note(self._plugin, f"{GAUGE} ({method})", error, frame)
        return GaugeError(f"the star gauge of plugin '{self._plugin}' failed: {error}")


def fix_metadata(
    manager: pluggy.PluginManager, faults: HookFaults, info: FrameInfo, header: Mapping[str, Any]
) -> FrameInfo:
    """The facts as corrected by the first plugin that knows the camera."""
    for impl in _each(manager, FIX):
        try:
            fixed = _call(impl, info=info, header=header)
            if fixed is not None and not isinstance(fixed, FrameInfo):
                raise PluginError(f"it returned {type(fixed).__name__}, not FrameInfo or None")
        except Exception as error:  # a stranger's hook may fail in any way
            faults.note(impl.plugin_name, FIX, error, info.label)
            continue
        if fixed is not None:
            return fixed
    return info


def star_gauge(manager: pluggy.PluginManager, faults: HookFaults) -> SafeGauge | None:
    """What the first plugin that has one measures stars with."""
    for impl in _each(manager, GAUGE):
        try:
            gauge = _call(impl)
            for method in ("measure", "same_field") if gauge is not None else ():
                if not callable(getattr(gauge, method, None)):
                    raise PluginError(f"what it returned has no method {method}")
            safe = None if gauge is None else SafeGauge(gauge, impl.plugin_name, faults)
        except Exception as error:  # a stranger's hook may fail in any way
            faults.note(impl.plugin_name, GAUGE, error)
            continue
        if safe is not None:
            return safe
    return None


def report_sections(
    manager: pluggy.PluginManager, faults: HookFaults, record: Any
) -> list[Section]:
    """The sections of every plugin. record : RunRecord."""
    out: list[Section] = []
    for impl in _each(manager, SECTIONS):
        try:
            out += [_section(one) for one in _call(impl, record=record) or ()]
        except Exception as error:  # a stranger's hook may fail in any way
            faults.note(impl.plugin_name, SECTIONS, error)
    return out


def _section(one: Any) -> Section:
    if not isinstance(one, Section):
        raise PluginError(f"it returned {type(one).__name__}, not Section")
    for name, kinds in (("title", str), ("order", (int, float)), ("html", str)):
        if not isinstance(getattr(one, name), kinds):
            raise PluginError(f"the {name} of a section is {type(getattr(one, name)).__name__}")
    return one


def _each(manager: pluggy.PluginManager, hook: str) -> Iterator[pluggy.HookImpl]:
    """Every plugin's function for a hook, in pluggy's order: last registered, first called."""
    yield from reversed(getattr(manager.hook, hook).get_hookimpls())


def _call(impl: pluggy.HookImpl, **given: Any) -> Any:
    # One by one, not through the manager: so a fault is known by its plugin and stops no other.
    return impl.function(*(given[name] for name in impl.argnames))
