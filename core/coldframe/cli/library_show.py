"""How the library's masters look on a terminal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import click

from coldframe.cli.show import print_table


def print_rows(title: str, rows: Sequence[Mapping[str, Any]]) -> None:
    """A list of masters."""
    print_table(
        title,
        ["id", "camera", "master", "frames", "noise (ADU)", "taken", "age"],
        [
            [
                row["id"],
                row["camera"] or "unknown",
                row["label"],
                row["frames"],
                "" if row["noise"] is None else f"{row['noise']:.3g}",
                (row["taken"] or "unknown")[:10],
                _age(row),
            ]
            for row in rows
        ],
    )


def _age(row: Mapping[str, Any]) -> str:
    if row["age_days"] is None:
        return "unknown"
    return f"{row['age_days']:.0f} days" + (", aged out" if row["aged_out"] else "")


def print_page(facts: Mapping[str, Any]) -> None:
    """One master."""
    click.echo(f"{facts['label']}\n{facts['camera'] or 'unknown camera'}; {facts['key']}\n")
    lines = [
        ["frames", str(facts["frames"])],
        ["taken", f"{facts['taken'] or 'unknown'} ({_age(facts)})"],
        ["made", f"{facts['added']}, recipe {facts['recipe']}, step {facts['step']}"],
        ["file", facts["file"]],
    ]
    for name, unit, words in (
        ("level", "ADU", "level (median)"),
        ("temporal_noise", "ADU", "noise it adds to a light"),
        ("noise", "ADU", "noise with its fixed pattern"),
        ("hot_pixels", "", "hot pixels"),
    ):
        if name in facts["measures"]:
            value = facts["measures"][name]
            share = facts["measures"].get("hot_share") if name == "hot_pixels" else None
            text = f"{value:.5g} {unit}".strip()
            lines.append([words, text + (f" ({share:.3g}%)" if share is not None else "")])
    lines += _dark_current(facts.get("dark_current"))
    print_table("Master", ["fact", "value"], lines)
    click.echo()
    print_table(
        "Frames",
        ["frame", "taken", "exposure (s)", "°C", "level (ADU)", "noise (ADU)"],
        [
            [
                shot["label"],
                (shot["start"] or "")[:19],
                *(_number(shot[name]) for name in ("exposure", "temperature", "level", "noise")),
            ]
            for shot in facts["shots"]
        ],
    )
    for verdict in facts["compared"]:
        head = "warning: " if verdict["disagrees"] else ""
        click.echo(f"\n{head}{verdict['words']}. Test: {verdict['test']}")


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.6g}"


def _dark_current(found: Mapping[str, Any] | None) -> list[list[str]]:
    if found is None:
        return []
    if "unknown" in found:
        return [["dark current", f"unknown: {found['unknown']}"]]
    text = f"{found['value']:.4g} ± {found['error']:.2g} ADU/s (above bias {found['bias']})"
    if "electrons" in found:
        text += f"; {found['electrons']:.4g} ± {found['electrons_error']:.2g} e-/s"
    law = found["doubling"]
    growth = (
        law["unknown"]
        if "unknown" in law
        else f"every {law['degrees']:.2f} ± {law['error']:.2f} °C ({law['masters']} darks)"
    )
    return [["dark current", text], ["it doubles", growth]]
