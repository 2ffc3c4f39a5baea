"""A watched night on a terminal, as plain lines, or as JSON for programs."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import click

from coldframe.cautions import SUNRISE, WATCHING
from coldframe.cli.show import console, tell_safety
from coldframe.watching.state import Snapshot, depth_words, in_words, light_dict, waiting_words

if TYPE_CHECKING:
    from rich.console import RenderableType

Show = Callable[[Snapshot], None]

NEWEST = 8  # lights in the terminal's table


@contextmanager
def screen(as_json: bool, url: str) -> Iterator[Show]:
    """Something that shows each snapshot: a live table on a terminal, else what is new in it."""
    terminal = console(stderr=True)
    if as_json:
        json_line("page", url=url)
        for caution in WATCHING:
            json_line("safety", text=str(caution))
        yield News(json_line)
        return
    tell_safety(WATCHING, err=True)
    if terminal.is_terminal and not terminal.is_dumb_terminal:
        from rich.live import Live

        with Live(console=terminal, auto_refresh=False) as live:
            yield lambda night: live.update(_table(night, url), refresh=True)
    else:
        if url:
            click.echo(f"page on this machine: {url}", err=True)
        yield News(_plain_line)


def json_line(event: str, **values: Any) -> None:
    """One event as one line of JSON on standard output."""
    click.echo(json.dumps({"event": event, **values}, ensure_ascii=False))


def _plain_line(event: str, **values: Any) -> None:
    if event in ("light", "stack"):
        click.echo(values["words"], err=True)
    elif event == "recipe":
        click.echo(f"recipe {values['name']}", err=True)
    elif event == "waiting":
        click.echo(f"waiting for {values['frame']}: {values['reason']}", err=True)
    elif event == "set aside":
        click.echo(f"set aside {values['frame']}: {values['reason']}", err=True)
    else:
        click.echo(f"{event}: {values['text']}", err=True)


class News:
    """Tells each thing once."""

    def __init__(self, tell: Callable[..., None]) -> None:
        self._tell = tell
        self._told: set[Any] = set()

    def __call__(self, night: Snapshot) -> None:
        if night.recipe:
            self._once(("recipe", night.recipe), name=night.recipe)
        for name, reason in night.waiting.items():
            if reason != "still being written":
                self._once(("waiting", name, reason), frame=name, reason=reason)
        for name, reason in night.aside.items():
            self._once(("set aside", name, reason), frame=name, reason=reason)
        for shown in night.lights:
            key = ("light", shown.id, shown.reason)
            self._once(key, words=in_words(shown), **light_dict(shown))
        for depth in night.stacks:
            self._once(
                ("stack", depth),
                words=depth_words(depth),
                label=depth.label,
                frames=depth.frames,
                exposure=depth.exposure,
                noise=depth.noise,
                improvement=depth.improvement,
                fwhm=depth.fwhm,
            )
        for text in night.warnings:
            self._once(("warning", text.partition("?")[0]), text=text)
        for text in night.notes:
            self._once(("note", text), text=text)

    def _once(self, key: tuple[Any, ...], **values: Any) -> None:
        if key not in self._told:
            self._told.add(key)
            self._tell(key[0], **values)


def _table(night: Snapshot, url: str) -> RenderableType:
    from rich.console import Group
    from rich.table import Table
    from rich.text import Text

    parts: list[RenderableType] = [
        Text(f"{night.night}  recipe {night.recipe or 'not chosen yet'}  {url}", style="bold")
    ]
    parts += [Text(depth_words(depth)) for depth in night.stacks]
    parts += [Text(text, style="bold yellow") for text in night.warnings]
    if night.lights:
        table = Table(box=None, pad_edge=False)
        for head in ("light", "stars", "FWHM px", "sky ADU/s", "starlight", "set aside"):
            table.add_column(head, justify="left" if head in ("light", "set aside") else "right")
        for shown in night.lights[-NEWEST:]:
            light = shown.light
            table.add_row(
                Text(light.label),
                _cell(light.stars, ".0f"),
                _cell(light.fwhm, ".1f"),
                _cell(light.sky, ".3g"),
                _cell(light.flux, ".0%"),
                Text(shown.reason),
            )
        parts.append(table)
    parts += [Text(line) for line in waiting_words(night)]
    parts += [Text(note, style="dim") for note in night.notes]
    parts.append(Text(f"safety: {SUNRISE}", style="bold"))
    return Group(*parts)


def _cell(value: float | None, form: str) -> str:
    return "–" if value is None else format(value, form)
