"""What is installed that the tasks of a run need, and how a worker's differs from it."""

from __future__ import annotations

import platform
from collections.abc import Iterable, Mapping
from contextlib import suppress
from importlib.metadata import PackageNotFoundError, version

from coldframe.specs import FrameTask, OutputTask, ProbeTask, TaskSpec, worker_registry

PACKAGES = ("coldframe", "numpy", "scipy", "numba", "astropy", "rawpy", "sep")
"""Those whose version can change a product."""


def used(specs: Iterable[TaskSpec]) -> set[str]:
    """What plugins add that these tasks need: "step:combine", "reader:fits", "writer:png"."""
    out = set()
    for spec in specs:
        if isinstance(spec, FrameTask):
            out |= {f"step:{op.call.use}" for op in spec.ops}
            out |= {f"step:{look.call.use}" for look in spec.looks}
            if not spec.base:
                out.add(f"reader:{spec.reader}")
        elif isinstance(spec, OutputTask):
            out.add(f"writer:{spec.writer}")
        elif isinstance(spec, ProbeTask):
            out |= {f"reader:{reader}" for _, reader in spec.sources}
        if call := getattr(spec, "call", None):
            out.add(f"step:{call.use}")
    return out


def packages() -> dict[str, str]:
    """Versions of what every task needs."""
    out = {"Python": ".".join(platform.python_version_tuple()[:2])}
    for name in PACKAGES:
        with suppress(PackageNotFoundError):
            out[name] = version(name)
    return out


def parts(names: Iterable[str]) -> dict[str, dict[str, str]]:
    """Where parts of plugins come from, as far as they are installed: plugin, package, version."""
    registry = worker_registry()
    versions = {
        **{f"step:{name}": step.version for name, step in registry.steps.items()},
        **{f"reader:{reader.name}": reader.version for reader in registry.readers},
        **{f"writer:{name}": writer.version for name, writer in registry.writers.items()},
    }
    return {
        name: {
            "plugin": (origin := registry.origins[name]).plugin,
            "package": f"{origin.package} {origin.version}",
            "version": versions[name],
        }
        for name in sorted(names)
        if name in versions
    }


def package_differences(here: Mapping[str, str], there: Mapping[str, str]) -> list[str]:
    """Which packages a worker has otherwise than the run, in words."""
    return [
        f"{name} is {there.get(name, 'missing')} there and {ours} here"
        for name, ours in here.items()
        if there.get(name) != ours
    ]


def plugin_differences(
    here: Mapping[str, Mapping[str, str]],
    there: Mapping[str, Mapping[str, str]],
    broken: Mapping[str, str],
) -> list[str]:
    """Which plugins that the run uses a worker has otherwise, a line each.

    here, there : see `parts`. broken : why plugins of the worker cannot be loaded.
    """
    out = []
    for plugin in sorted({part["plugin"] for part in here.values()}):
        ours = {name: part for name, part in here.items() if part["plugin"] == plugin}
        package = next(iter(ours.values()))["package"]
        missing = [name for name in ours if name not in there]
        if plugin in broken:
            out.append(f"plugin '{plugin}' cannot be loaded there: {broken[plugin]}")
        elif len(missing) == len(ours):
            out.append(f"plugin '{plugin}' ({package}) is not installed there")
        else:
            said = [f"has no {' '.join(name.split(':'))} there" for name in missing]
            both = {name: (part, there[name]) for name, part in ours.items() if name in there}
            said += dict.fromkeys(
                f"is of {b['package']} there and of {a['package']} here"
                for a, b in both.values()
                if a["package"] != b["package"]
                and a["package"].split()[0] not in PACKAGES  # that is told already
            )
            said += [
                f"{' '.join(name.split(':'))} is {b['version']} there and {a['version']} here"
                for name, (a, b) in both.items()
                if a["version"] != b["version"]
            ]
            out += [f"plugin '{plugin}': {', '.join(said)}"] if said else []
    return out
