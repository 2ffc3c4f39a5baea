"""`coldframe run`: nights of frames in, finished stacks out."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from coldframe.cli.log import logging_options
from coldframe.cli.options import make_request, planning_options, scheduler_option
from coldframe.cli.show import json_option, print_json, seconds_text, tell
from coldframe.lines import aside_lines
from coldframe.report.noise import noise_figures
from coldframe.report.record import RunRecord


@click.command("run")
@planning_options
@scheduler_option
@json_option
@logging_options
def command(as_json: bool, **asked: Any) -> None:  # fmt: skip
    """Calibrate, register, integrate: make stacks from nights of frames.

    Of several nights, each night's own stack and one of all nights together are made for each
    target and filter; the first night named gives the reference. A night added last computes that
    night and the stacks of all.

    \b
    coldframe run 2026-03-14
    coldframe run 2026-03-14 2026-03-15 -o reeds --recipe camera-lens
    coldframe run --nights reeds.yaml -o reeds
    coldframe run 2026-03-14 --with stack.reject=mad-clip
    coldframe run 2026-03-14 --scheduler tcp://192.168.1.20:8786

    Exit codes: 0 done, 1 the work failed, 2 wrong use, 130 stopped by Ctrl-C.
    """
    from coldframe.cli.counting import prepare_shown
    from coldframe.plugins import find_plugins

    registry = find_plugins()
    prepared = prepare_shown(make_request(**asked), registry)
    record = execute(prepared, registry)
    if as_json:
        print_json(summary(record, prepared.request.output))
    else:
        print_summary(record, prepared.request.output)


def execute(prepared: Any, registry: Any) -> RunRecord:
    """Run with a live progress display; say beforehand what is odd, and after it what was found."""
    from coldframe.cli.progress import Progress
    from coldframe.session import run

    for plugin, why in registry.broken.items():
        tell(f"warning: plugin '{plugin}' is left out: {why}")
    tell(f"recipe {prepared.recipe.name}: {prepared.why}")
    for line in prepared.cameras:
        tell(f"camera file {line}")
    for line in aside_lines(prepared.scan.set_aside, prepared.plan.set_aside):
        tell(line)
    before = (*prepared.scan.warnings, *prepared.plan.warnings)
    for warning in before:
        tell(f"warning: {warning}")
    with Progress(prepared) as progress:
        record = run(prepared, registry, progress, progress.say)
    for warning in record.warnings:
        if warning not in before:
            tell(f"warning: {warning}")
    return record


def summary(record: RunRecord, output: Path) -> dict[str, Any]:
    """The outcome, JSON-ready."""
    return {
        "recipe": record.recipe,
        "seconds": round(record.elapsed, 2),
        "used": sum(frame.used for frame in record.frames),
        "set_aside": [
            {"file": f.info.path, "reason": f.reason, "step": f.step}
            for f in record.frames
            if not f.used
        ],
        "warnings": list(record.warnings),
        "costs": list(record.costs),
        "products": [
            {
                "step": p.step,
                "label": p.label,
                "files": [str(output / name) for name in p.files],
                "measures": dict(p.measures),
            }
            for p in record.products
        ],
        "report": str(output / "report.html"),
    }


def print_summary(record: RunRecord, output: Path) -> None:
    """The outcome in plain words."""
    from coldframe.report.findings import sureness

    aside = [frame for frame in record.frames if not frame.used]
    used = len(record.frames) - len(aside)
    click.echo(f"{used} frames used, {len(aside)} set aside, in {seconds_text(record.elapsed)}")
    for product in record.products:
        facts = [f"{product.step} ({product.label})"]
        frames, noise = product.measures.get("frames"), product.measures.get("noise")
        gain = product.measures.get("improvement")
        if frames:
            facts.append(f"{frames:.0f} frames")
        if noise:
            facts.append(f"noise {noise:.3g} ADU")
        if gain and frames:
            best = noise_figures(product, record.frames).possible
            against = (
                f"{gain / best:.0%} of the best possible for these frames ({best:.2f} x)"
                if best
                else f"sqrt N is {frames**0.5:.2f}"
            )
            facts.append(f"{gain:.2f} x better than one frame, {against}")
        facts += sureness(product.measures)
        click.echo(": ".join([facts[0], ", ".join(facts[1:])]) if facts[1:] else facts[0])
        for name in product.files:
            click.echo(f"  {output / name}")
    for line in record.costs:
        click.echo(f"cost: {line}")
    click.echo(f"report: {output / 'report.html'}")
