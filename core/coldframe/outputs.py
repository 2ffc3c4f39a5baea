"""The last tasks of a plan: products written for people, and what their files are called."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from coldframe.errors import UsageError
from coldframe.planned import Item, Plan
from coldframe.plugins import Registry
from coldframe.specs import OutputTask
from coldframe.store import product_key


def plan_outputs(plan: Plan, registry: Registry, folder: Path) -> None:
    """Add the tasks that write the recipe's outputs, and set the plan's targets.

    Raises UsageError when no frame reaches any output.
    """
    for step_id, writers in plan.recipe.outputs.items():
        stems: dict[str, int] = {}
        for item in plan.flows[step_id]:
            stem = _stem(item, step_id)
            stems[stem] = stems.get(stem, 0) + 1
            if stems[stem] > 1:
                stem += f"-{stems[stem]}"
            plan.targets.append(item.key)
            for writer, options in writers.items():
                version, place = registry.writers[writer].version, (str(folder), stem)
                key = product_key("output", item.key, writer, version, options, *place)
                chosen = options if isinstance(options, Mapping) else {}
                spec = OutputTask(
                    str(plan.store), key, step_id, item.key, writer, chosen, str(folder), stem
                )
                plan.tasks[key] = (spec, (item.key,))
                plan.targets.append(key)
    if not plan.targets:
        raise UsageError(_nothing(plan))


def _nothing(plan: Plan) -> str:
    recipe = plan.recipe
    kinds = ", ".join(sorted({i.kind.value for i in recipe.inputs.values()}))
    return (
        f"the recipe '{recipe.name}' has nothing to do: no frame of a kind it works on ({kinds}) "
        f"reaches its outputs ({', '.join(recipe.outputs)})"
        + "".join(f"\n  {aside.info.label}: {aside.reason}" for aside in plan.set_aside)
    )


def _stem(item: Item, step_id: str) -> str:
    """A file name from what people call the thing; a night's own stack tells the night."""
    info = item.info
    night = item.alone if info.target else ""
    words = [info.target or info.night or "stack", info.filter or "", night, step_id]
    text = "-".join(word for word in words if word)
    return "".join(c if c.isalnum() or c in "-_." else "-" for c in text).strip("-.") or "stack"
