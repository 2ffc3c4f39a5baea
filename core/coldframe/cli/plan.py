"""`coldframe plan`: what a run would do."""

from __future__ import annotations

from typing import Any

import click

from coldframe.cli.log import logging_options
from coldframe.cli.options import make_request, planning_options, scheduler_option
from coldframe.cli.show import bytes_text, json_option, print_json, print_table, seconds_text, tell
from coldframe.lines import aside_lines
from coldframe.prepared import Prepared
from coldframe.report.record import MasterUse


@click.command("plan")
@planning_options
@scheduler_option
@json_option
@logging_options
def command(as_json: bool, **asked: Any) -> None:
    """Show frames, groups, matches and cost without running.

    \b
    coldframe plan 2026-03-14
    coldframe plan 2026-03-14 --recipe cooled-mono --json
    """
    from coldframe.cli.counting import prepare_shown
    from coldframe.plugins import find_plugins

    registry = find_plugins()
    prepared = prepare_shown(make_request(**asked), registry)
    facts = describe(prepared)
    if as_json:
        print_json(facts)
    else:
        _print(facts)
    for plugin, why in registry.broken.items():
        tell(f"warning: plugin '{plugin}' is left out: {why}")


def describe(prepared: Prepared) -> dict[str, Any]:
    """The plan, JSON-ready."""
    plan, found = prepared.plan, prepared.scan
    kinds: dict[tuple[str, str], list[str]] = {}
    for info in found.frames:
        told_by = info.kind_reason.partition(":")[0]
        key = (info.kind.value if info.kind else "unknown", told_by)
        kinds.setdefault(key, []).append(info.kind_reason)
    labels = {
        item.key: f"{step}: {item.label}" for step, items in plan.flows.items() for item in items
    }
    labels |= {key: master.name for key, master in plan.borrowed.items()}
    matches = []
    for spec in prepared.recipe.steps.values():
        if spec.id not in plan.candidates:
            continue
        own = {c.key for found in plan.candidates[spec.id].values() for c in found}
        own |= set(plan.borrowed)
        served: dict[tuple[str, str], list[MasterUse]] = {}
        for item in plan.flows[spec.id]:
            for use in item.masters:
                if use.product in own:
                    served.setdefault((use.kind, use.product), []).append(use)
        for (kind, product), uses in served.items():
            farthest = max(uses, key=lambda use: use.total)
            matches.append(
                {
                    "step": spec.id,
                    "kind": kind,
                    "master": labels[product],
                    "frames": len(uses),
                    "farthest": farthest.note,
                    "distances": dict(farthest.distances),
                }
            )
    total, keeps = len(plan.tasks), prepared.request.store_keeps
    return {
        "recipe": prepared.recipe.name,
        "why": prepared.why,
        "cameras": sorted({info.camera for info in found.frames if info.camera}),
        "camera_files": list(prepared.cameras),
        "frames": [
            {"kind": kind, "count": len(reasons), "reason": reasons[0]}
            for (kind, _), reasons in sorted(kinds.items())
        ],
        "set_aside": [
            *({"frame": label, "reason": reason} for label, reason in found.set_aside),
            *({"frame": s.info.label, "reason": s.reason} for s in plan.set_aside),
        ],
        "set_aside_lines": aside_lines(found.set_aside, plan.set_aside),
        "groups": [
            {"step": step, "group": label, "frames": count}
            for step, groups in plan.groups.items()
            for label, count in groups
        ],
        "matches": matches,
        "warnings": [*found.warnings, *plan.warnings],
        "tasks": {"all": total, "to_do": len(prepared.tasks)},
        "estimate": {
            "seconds": round(prepared.estimate.seconds, 1),
            "compiling_seconds": round(prepared.estimate.compiling, 1),
            "memory": prepared.estimate.memory,
            "least_memory": prepared.estimate.least_memory,
            "disk": prepared.estimate.disk.store[keeps].peak,
            "disk_after": prepared.estimate.disk.store[keeps].after,
            "output": prepared.estimate.disk.output,
            "disk_by_rule": {
                rule: {"peak": room.peak, "after": room.after}
                for rule, room in prepared.estimate.disk.store.items()
            },
        },
        "output": str(prepared.request.output),
        "store": str(prepared.request.store),
    }


def _print(facts: dict[str, Any]) -> None:
    click.echo(f"Recipe {facts['recipe']}: {facts['why']}")
    click.echo(f"Camera: {', '.join(facts['cameras']) or 'named by no frame'}")
    for line in facts["camera_files"]:
        click.echo(f"Camera file {line}")
    click.echo()
    print_table(
        "Frames", ["kind", "frames", "how we know (the first of them)"],
        [[f["kind"], f["count"], f["reason"]] for f in facts["frames"]],
    )  # fmt: skip
    click.echo()
    print_table(
        "Groups", ["step", "group", "frames"],
        [[g["step"], g["group"], g["frames"]] for g in facts["groups"]],
    )  # fmt: skip
    click.echo()
    print_table(
        "Masters", ["for step", "kind", "master", "frames", "farthest match"],
        [[m["step"], m["kind"], m["master"], m["frames"], m["farthest"]] for m in facts["matches"]],
    )  # fmt: skip
    for line in facts["set_aside_lines"]:
        click.echo(line)
    for warning in facts["warnings"]:
        click.echo(f"warning: {warning}")
    cost, tasks = facts["estimate"], facts["tasks"]
    compiling = seconds_text(cost["compiling_seconds"])
    first = (
        f", {compiling} of it compiling loops, first use only" if cost["compiling_seconds"] else ""
    )
    click.echo(
        f"\n{tasks['to_do']} of {tasks['all']} tasks to do; about {seconds_text(cost['seconds'])}{first}"
    )
    click.echo(
        f"memory: about {bytes_text(cost['memory'])}; --memory must be "
        f"{bytes_text(cost['least_memory'])} at least"
    )
    click.echo(
        f"disk: {bytes_text(cost['disk'])} in {facts['store']}, of which "
        f"{bytes_text(cost['disk_after'])} stay; {bytes_text(cost['output'])} in {facts['output']}"
    )
