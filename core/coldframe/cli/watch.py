"""`coldframe watch`: a night followed while the camera writes it."""

from __future__ import annotations

import re
import time
from contextlib import nullcontext
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import click

from coldframe.cli.log import logging_options
from coldframe.cli.options import make_request, planning_options
from coldframe.cli.show import json_option
from coldframe.errors import UsageError

POLL = 1.0  # s between two looks at the folder
REFRESH = 10.0  # least s between two previews


class Moment(click.ParamType):
    """A local time of day, its next, or a local date and time (ISO 8601)."""

    name = "time"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> datetime:
        if isinstance(value, datetime):
            return value
        now = datetime.now()
        try:
            if re.fullmatch(r"\d{1,2}:\d{2}", value):
                hour, minute = map(int, value.split(":"))
                then = now.replace(hour=hour, minute=minute, second=0, microsecond=0)
                return then if then > now else then + timedelta(days=1)
            return datetime.fromisoformat(value).replace(tzinfo=None)
        except ValueError:
            self.fail(f"'{value}' is no time such as 05:30 or 2026-03-15T05:30", param, ctx)


@click.command("watch")
@planning_options
@click.option("--until", type=Moment(), metavar="TIME", help="End the night then, such as 05:30.")
@click.option(
    "--idle", type=click.FloatRange(0), default=60.0, show_default=True, metavar="MINUTES",
    help="End the night when no file came for so long.",
)  # fmt: skip
@click.option(
    "--port", type=click.IntRange(0, 65535), default=0, show_default="a free one",
    help="Port of the page, on this machine only.",
)  # fmt: skip
@click.option("--no-page", is_flag=True, help="Serve no page.")
@click.option(
    "--settle", type=click.FloatRange(0.1), default=3.0, show_default=True, metavar="SECONDS",
    help="A file must stay the same for so long before it is read.",
)  # fmt: skip
@json_option
@logging_options
def command(
    until: datetime | None,
    idle: float,
    port: int,
    no_page: bool,
    settle: float,
    as_json: bool,
    **asked: Any,
) -> None:
    """Follow the one folder NIGHT while frames come in, then make its stack.

    Each frame is taken in when it is whole, calibrated, measured and added to a growing picture
    that the terminal and a page on this machine show, with warnings when clouds come, focus drifts
    or dawn breaks. When the night ends, the stack is made as `coldframe run` makes it.

    \b
    coldframe watch /media/card/2026-03-14 -o reeds --until 05:30
    coldframe watch 2026-03-14 --idle 20 --port 8765
    coldframe watch 2026-03-14 --idle 0      take in what is there, and end

    Ctrl-C stops without the last step; the same command goes on, or `coldframe run` finishes.
    --json prints one JSON object a line.

    Exit codes: 0 done, 1 the work failed, 2 wrong use, 130 stopped by Ctrl-C.
    """
    from coldframe.cli.run import execute, print_summary, summary
    from coldframe.cli.watch_show import screen
    from coldframe.plugins import find_plugins
    from coldframe.session import prepare
    from coldframe.watching.follow import Follow
    from coldframe.watching.page import Page

    if len(asked["nights"]) != 1:
        raise UsageError("watch follows one folder; name the one that the camera writes to")
    folder: Path = asked["nights"][0]
    if not folder.is_dir():
        raise UsageError(f"there is no folder {folder}; make it, or check the spelling")
    registry = find_plugins()
    request = make_request(**asked)
    if request.output.resolve() == folder.resolve():
        raise UsageError(f"{request.output} is the night's own folder; choose another with -o")
    follow = Follow(request, registry, settle=settle, refresh=REFRESH)
    page = None if no_page else Page(lambda: follow.snapshot, lambda: follow.previews, port)
    with page or nullcontext():
        with screen(as_json, page.url if page else "") as show:
            follow.tell = show
            try:
                while True:
                    follow.look()
                    if follow.over(60 * idle):
                        break
                    if until and datetime.now() > until and follow.over(0):
                        break  # over(0): the last frame may still be on its way
                    time.sleep(POLL)
                follow.draw(now_too=True)
            finally:
                follow.save()
        follow.tell = lambda night: None
        follow.phase("finishing")
        prepared = prepare(request, registry)
        record = execute(prepared, registry)
        follow.phase("done")
    if as_json:
        from coldframe.cli.watch_show import json_line

        json_line("done", **summary(record, request.output))
    else:
        print_summary(record, request.output)
