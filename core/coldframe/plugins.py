"""Finds plugins by entry point, remembers where each came from, and isolates broken ones."""

from __future__ import annotations

import difflib
import inspect
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib.metadata import Distribution, EntryPoint, distributions
from typing import Any

import pluggy

from coldframe import hooks, optional_hooks
from coldframe.errors import PluginError, UsageError
from coldframe.frame import FrameInfo
from coldframe.hooks import FrameReader, ProductWriter, Section
from coldframe.optional_hooks import HookFaults, SafeGauge
from coldframe.step import FrameStep, MeasureStep, StackStep, Step


def or_not_installed(tail: str) -> str:
    """The tail of a message about an unknown step or writer, which a plugin might bring."""
    joint = "," if tail.endswith("?") else ";"
    return f"{tail.removesuffix('?')}{joint} or is its plugin not installed?"


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a plugin's additions come from."""

    plugin: str  # entry point name
    package: str  # distribution name
    version: str
    module: str


@dataclass(frozen=True)
class Registry:
    """Everything the found plugins add. Passed around, never global."""

    manager: pluggy.PluginManager
    steps: Mapping[str, type[Step]]
    readers: tuple[FrameReader, ...]
    writers: Mapping[str, ProductWriter]
    origins: Mapping[str, Origin]  # "step:combine", "reader:fits", "writer:png" -> origin
    broken: Mapping[str, str] = field(default_factory=dict)  # plugin name -> what went wrong
    faults: HookFaults = field(default_factory=HookFaults)

    def step(self, name: str) -> type[Step]:
        """The step class of that name.

        Raises UsageError with the nearest names, and with any plugin that failed to load.
        """
        if name in self.steps:
            return self.steps[name]
        raise UsageError(
            f"no step is called '{name}'{or_not_installed(self.hint(name, self.steps))}"
        )

    def hint(self, name: str, names: Mapping[str, Any]) -> str:
        """A tail for messages about an unknown name."""
        close = difflib.get_close_matches(name, names, n=1)
        text = (
            f"; did you mean '{close[0]}'?" if close else f"; there are: {', '.join(sorted(names))}"
        )
        if self.broken:
            text += " (plugins that failed to load: " + ", ".join(sorted(self.broken)) + ")"
        return text

    def fix_metadata(self, info: FrameInfo, header: Mapping[str, Any]) -> FrameInfo:
        """Let the plugin that knows this camera correct its facts; what fails goes to `faults`."""
        return optional_hooks.fix_metadata(self.manager, self.faults, info, header)

    def star_gauge(self) -> SafeGauge | None:
        """What measures the stars of raw lights; what fails goes to `faults`."""
        return optional_hooks.star_gauge(self.manager, self.faults)

    def report_sections(self, record: Any) -> list[Section]:
        """Sections for the report of a RunRecord; what fails goes to `faults`."""
        return optional_hooks.report_sections(self.manager, self.faults, record)


def find_plugins() -> Registry:
    """Load every plugin installed under the entry-point group "coldframe".

    A plugin that cannot be imported, or whose hooks fail, is left out and named in `broken`.
    """
    found: list[tuple[EntryPoint, Distribution]] = []
    seen: set[tuple[str, str]] = set()
    for dist in distributions():
        for entry in dist.entry_points:
            # The same distribution may be on sys.path twice (an editable install in a checkout).
            if entry.group == hooks.PROJECT and (entry.name, entry.value) not in seen:
                seen.add((entry.name, entry.value))
                found.append((entry, dist))
    found.sort(key=lambda pair: pair[0].name)
    manager = pluggy.PluginManager(hooks.PROJECT)
    manager.add_hookspecs(hooks)
    broken: dict[str, str] = {}
    origins: dict[str, Origin] = {}
    for entry, dist in found:
        try:
            plugin = entry.load()
            manager.register(plugin, name=entry.name)
            manager.check_pending()
        except Exception as error:  # a stranger's import may fail in any way
            if manager.has_plugin(entry.name):
                manager.unregister(name=entry.name)
            broken[entry.name] = f"{type(error).__name__}: {error}"
            continue
        origins[entry.name] = Origin(entry.name, dist.name, dist.version, entry.value)
    return collect(manager, origins, broken)


def collect(
    manager: pluggy.PluginManager, plugins: Mapping[str, Origin], broken: dict[str, str]
) -> Registry:
    """Ask each registered plugin what it adds. Broken ones are left out and named."""
    steps: dict[str, type[Step]] = {}
    readers: list[FrameReader] = []
    writers: dict[str, ProductWriter] = {}
    origins: dict[str, Origin] = {}
    for name, plugin in sorted(manager.list_name_plugin()):
        hook = "coldframe_steps"
        try:
            new_steps = {step.name: step for step in map(check_step, _call(plugin, hook))}
            hook = "coldframe_readers"
            new_readers = {reader.name: reader for reader in _call(plugin, hook)}
            hook = "coldframe_writers"
            new_writers = {writer.name: writer for writer in _call(plugin, hook)}
            new = [
                *(f"step:{n}" for n in new_steps),
                *(f"reader:{n}" for n in new_readers),
                *(f"writer:{n}" for n in new_writers),
            ]
            for key in new:
                if key in origins:
                    raise PluginError(f"{key} is already defined by '{origins[key].plugin}'")
        except Exception as error:  # a stranger's hook may fail in any way
            broken[name] = f"{hook}: {type(error).__name__}: {error}"
            manager.unregister(name=name)
            continue
        steps.update(new_steps)
        readers.extend(new_readers.values())
        writers.update(new_writers)
        origins.update(dict.fromkeys(new, plugins[name]))
    return Registry(manager, steps, tuple(readers), writers, origins, broken)


def _call(plugin: Any, hook: str) -> Any:
    # Called plugin by plugin, not through the manager at once, so that one broken plugin
    # cannot take the others down and its name is known.
    function = getattr(plugin, hook, None)
    return function() if function is not None else ()


def check_step(step: type[Step]) -> type[Step]:
    """The class itself; raises PluginError when it breaks the Step contract."""
    if not (isinstance(step, type) and issubclass(step, FrameStep | StackStep | MeasureStep)):
        raise PluginError(f"{step!r} is not a subclass of FrameStep, StackStep or MeasureStep")
    if inspect.isabstract(step):
        raise PluginError(f"{step.__name__} does not define {', '.join(step.__abstractmethods__)}")
    if not getattr(step, "name", None):
        raise PluginError(f"{step.__name__} has no name")
    for param, schema in step.params.items():
        missing = {"description", "default"} - set(schema)
        if missing:
            raise PluginError(
                f"step '{step.name}', parameter '{param}': no {' and no '.join(sorted(missing))}"
            )
    return step
