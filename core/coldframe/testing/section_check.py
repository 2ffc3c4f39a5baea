"""Tries a plugin's part of the report against what the page and the engine count on."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np

from coldframe.frame import Frame, FrameInfo
from coldframe.hooks import Section
from coldframe.report.record import FrameRecord, MasterUse, ProductRecord, RunRecord
from coldframe.step import Column
from coldframe.testing.check import fault, tell
from coldframe.testing.samples import sample_frames

Hook = Callable[[RunRecord], Iterable[Section]]
MARK = '<b title="&">'
"""Stands in names of the sample record; in the page it may stand escaped only."""

VOID = ("area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "wbr")
LOADS = re.compile(r"url\(\s*[\"']?(?!data:|#)|@import")
FORBIDDEN = ("script", "iframe", "object", "embed", "link", "base", "form", "meta")


def sample_record(*, frames: int = 4, stacks: bool = True) -> RunRecord:
    """What a small finished run knows: lights of one target, the last one set aside, and a stack.

    frames : of which the last is set aside when there are several. stacks : else nothing was made.
    Names of target and camera hold characters that a page must escape.
    """
    lights = sample_frames(max(frames, 1), shape=(24, 32))[:frames]
    records = [_frame_record(light, used=i < max(frames - 1, 1)) for i, light in enumerate(lights)]
    used = tuple(record.id for record in records if record.used)
    by_id = {record.id: light for record, light in zip(records, lights, strict=True)}
    info = FrameInfo(target=f"Field {MARK}", camera=f"Invented {MARK}", shape=(24, 32))
    stack = ProductRecord(
        id="5" * 64, step="stack", uses="integrate", label=f"light · Field {MARK}", info=info,
        measures={"noise": 3.5, "frames": float(len(used))}, frames=used,
    )  # fmt: skip
    pixels = np.full((24, 32), 400.0, np.float32)
    made = Frame(pixels, np.zeros((24, 32), np.uint8), info)
    return RunRecord(
        recipe="sample", about="A sample run", why_recipe="it was asked for", nights=("night",),
        frames=records, masters=(), products=(stack,) if stacks and used else (),
        columns={"fwhm": Column("px", "width of the stars"), "noise": Column("ADU", "noise")},
        warnings=(), timings={"stack": 1.5}, versions={"coldframe": "0.1"},
        steps=({"id": "stack", "use": "integrate", "params": {}, "masters": []},), elapsed=2.0,
        read=lambda key: made if key == stack.id else by_id.get(key),
    )  # fmt: skip


def _frame_record(light: Frame, used: bool) -> FrameRecord:
    info = replace(light.info, target=f"Field {MARK}", camera=f"Invented {MARK}", night="night")
    return FrameRecord(
        id=info.digest,
        info=info,
        measures={"fwhm": 2.5} if used else {},
        used=used,
        reason="" if used else f"clouds {MARK}",
        step="" if used else "load",
        masters=(MasterUse("dark", "d" * 64, {"temperature": 0.5}, 0.5),) if used else (),
    )


class _Tags(HTMLParser):
    """Which tags are open, and which there are at all."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: set[str] = set()
        self.wrong = self.loads = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_startendtag(tag, attrs)
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.add(tag)
        for name, value in attrs:
            loading = name in ("src", "srcset", "poster", "background") or (
                name in ("href", "xlink:href") and tag != "a"
            )
            if loading and not (value or "").startswith(("data:", "#")):
                self.loads = f"<{tag} {name}>"

    def handle_endtag(self, tag: str) -> None:
        if tag in VOID:
            return
        if not self.open or self.open[-1] != tag:
            self.wrong = self.wrong or f"</{tag}> closes what is not open"
        else:
            self.open.pop()


def _sections(hook: Hook, record: RunRecord) -> list[Section]:
    found = hook(record)
    assert isinstance(found, Iterable), f"it returned {type(found).__name__}, not a list"
    sections = list(found)
    for section in sections:
        assert isinstance(section, Section), (
            f"it returned {type(section).__name__}, not coldframe.hooks.Section"
        )
    return sections


def shape(hook: Hook) -> None:
    """It returns sections, each with a title, an order and HTML that closes what it opens."""
    for section in _sections(hook, sample_record()):
        assert str(section.title).strip(), "a section has no title"
        assert isinstance(section.order, int), f"'{section.title}': its order is no whole number"
        tags = _Tags()
        tags.feed(section.html)
        tags.close()
        said = tags.wrong or (f"<{tags.open[-1]}> is not closed" if tags.open else "")
        assert not said, f"'{section.title}': {said}"


def self_contained(hook: Hook) -> None:
    """The HTML loads nothing and runs nothing: the report is one file, read by whoever gets it."""
    for section in _sections(hook, sample_record()):
        tags = _Tags()
        tags.feed(section.html)
        found = sorted(tags.seen & set(FORBIDDEN))
        assert not found, f"'{section.title}': <{found[0]}> may not be in a report"
        style = LOADS.search(section.html)
        loads = tags.loads or (style[0] if style else "")
        assert not loads, f"'{section.title}': {loads} would load something"


def escaped(hook: Hook) -> None:
    """What comes from files (names, targets, reasons) is escaped: use html.escape."""
    for section in _sections(hook, sample_record()):
        assert MARK not in section.html, f"'{section.title}': a name stands in it unescaped"


def unusual(hook: Hook) -> None:
    """It copes with runs of which little is known: no stack, one frame, none, pixels gone."""
    records = {
        "a run without a stack": sample_record(stacks=False),
        "a run of one frame": sample_record(frames=1),
        "a run whose frames were all set aside": replace(
            sample_record(stacks=False),
            frames=[replace(f, used=False, reason="clouds") for f in sample_record().frames],
        ),
        "a run without any frame": sample_record(frames=0),
        "a run whose products are gone": replace(sample_record(), read=lambda key: None),
        "frames without facts": replace(
            sample_record(),
            frames=[
                replace(f, info=FrameInfo(path=f.info.path), measures={}, masters=())
                for f in sample_record().frames
            ],
        ),
    }
    for what, record in records.items():
        try:
            _sections(hook, record)
        except AssertionError:
            raise
        except Exception as error:
            raise AssertionError(f"{what}: {type(error).__name__}: {error}") from error


def repeatable(hook: Hook) -> None:
    """The same run gives the same sections each time."""
    record = sample_record()
    assert _sections(hook, record) == _sections(hook, record), "the second time they are others"


_ALL: Sequence[Callable[[Hook], None]] = (shape, self_contained, escaped, unusual, repeatable)
SECTION_RULES: Mapping[str, str] = {rule.__name__: str(rule.__doc__) for rule in _ALL}
"""Every rule of `check_report_section` by name, with what it says."""


def check_report_section(hook: Hook, *, leave_out: Sequence[str] = ()) -> None:
    """Raise AssertionError, with every rule that a hook `coldframe_report_sections` breaks.

    Parameters
    ----------
    hook : the function itself: from a RunRecord to sections. It is given `sample_record()`.
    leave_out : names of rules not to try (see SECTION_RULES); say why beside the call.
    """
    __tracebackhide__ = True
    unknown = set(leave_out) - set(SECTION_RULES)
    if unknown:
        raise ValueError(f"no rule is called {', '.join(sorted(unknown))}; see SECTION_RULES")
    wanted = [rule for rule in _ALL if rule.__name__ not in leave_out]
    faults = {rule.__name__: said for rule in wanted if (said := fault(rule, hook))}
    tell("the report section", faults)
