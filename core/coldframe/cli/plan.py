"""`coldframe plan`: what a run would do."""

from __future__ import annotations

from typing import Any

import click

from coldframe.cli.options import make_request, planning_options
from coldframe.cli.show import bytes_text, json_option, print_json, print_table, seconds_text
from coldframe.session import Prepared


@click.command("plan")
@planning_options
@json_option
def command(as_json: bool, **asked: Any) -> None:
    """Show frames, groups, matches and cost without running.

    \b
    coldframe plan 2026-03-14
    coldframe plan 2026-03-14 --recipe cooled-mono --json
    """
    from coldframe.plugins import find_plugins
    from coldframe.session import prepare

    registry = find_plugins()
    prepared = prepare(make_request(**asked), registry)
    facts = describe(prepared)
    if as_json:
        print_json(facts)
    else:
        _print(facts)
    for plugin, why in registry.broken.items():
        click.echo(f"warning: plugin '{plugin}' is left out: {why}", err=True)


def describe(prepared: Prepared) -> dict[str, Any]:
    """The plan, JSON-ready."""
    plan, found = prepared.plan, prepared.scan
    kinds: dict[tuple[str, str], int] = {}
    for info in found.frames:
        key = (info.kind.value if info.kind else "unknown", info.kind_reason)
        kinds[key] = kinds.get(key, 0) + 1
    labels = {
        item.key: f"{step}: {item.label}" for step, items in plan.flows.items() for item in items
    }
    matches = []
    for spec in prepared.recipe.steps.values():
        if not spec.masters:
            continue
        served: dict[tuple[str, str, str], list[str]] = {}
        for item in plan.flows[spec.id]:
            mine = {m for m in item.masters if m.product in labels}
            for use in sorted(mine, key=lambda m: m.kind):
                if use.kind in _kinds_of(prepared, spec.masters):
                    served.setdefault((use.kind, use.product, use.note), []).append(item.label)
        for (kind, product, note), frames in served.items():
            matches.append(
                {
                    "step": spec.id,
                    "kind": kind,
                    "master": labels.get(product, product),
                    "frames": len(frames),
                    "note": note,
                }
            )
    total = len(plan.tasks)
    return {
        "recipe": prepared.recipe.name,
        "why": prepared.why,
        "frames": [{"kind": k, "reason": r, "count": n} for (k, r), n in sorted(kinds.items())],
        "set_aside": [
            *({"frame": label, "reason": reason} for label, reason in found.set_aside),
            *({"frame": s.info.label, "reason": s.reason} for s in plan.set_aside),
        ],
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
            "memory": prepared.estimate.memory,
            "disk": prepared.estimate.disk,
        },
        "output": str(prepared.request.output),
        "store": str(prepared.request.store),
    }


def _kinds_of(prepared: Prepared, steps: tuple[str, ...]) -> set[str]:
    from coldframe.recipe_check import input_kinds

    recipe = prepared.recipe
    specs = {s.id: {"from": list(s.sources)} for s in recipe.steps.values()}
    inputs = {i.name: {"kind": i.kind.value} for i in recipe.inputs.values()}
    return {kind for step in steps for kind in input_kinds(step, specs, inputs)}


def _print(facts: dict[str, Any]) -> None:
    click.echo(f"Recipe {facts['recipe']}: {facts['why']}\n")
    print_table(
        "Frames", ["kind", "frames", "how we know"],
        [[f["kind"], f["count"], f["reason"]] for f in facts["frames"]],
    )  # fmt: skip
    click.echo()
    print_table(
        "Groups", ["step", "group", "frames"],
        [[g["step"], g["group"], g["frames"]] for g in facts["groups"]],
    )  # fmt: skip
    click.echo()
    print_table(
        "Masters", ["for step", "kind", "master", "frames", "match"],
        [[m["step"], m["kind"], m["master"], m["frames"], m["note"]] for m in facts["matches"]],
    )  # fmt: skip
    for row in facts["set_aside"]:
        click.echo(f"set aside {row['frame']}: {row['reason']}")
    for warning in facts["warnings"]:
        click.echo(f"warning: {warning}")
    cost, tasks = facts["estimate"], facts["tasks"]
    click.echo(
        f"\n{tasks['to_do']} of {tasks['all']} tasks to do; about {seconds_text(cost['seconds'])}, "
        f"{bytes_text(cost['memory'])} of memory, {bytes_text(cost['disk'])} of disk in "
        f"{facts['store']}"
    )
