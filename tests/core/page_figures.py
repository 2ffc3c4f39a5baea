"""Compares the figures that pages show with what the commands print.

A block marked `printed by COMMAND` shows lines of what that command prints about the demo night.
Its lines come in the same order with the same words; lines may be left out, `...` stands for the
rest of a line. Numbers agree within a tolerance, as they differ a little from machine to machine;
durations are not compared. Figures in running text stand in PROSE.

tests/core/plain_install.py types the commands. `python tests/core/page_figures.py FOLDER` compares
with what it kept there and, with `--write`, puts today's figures into the blocks.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterable, Mapping
from pathlib import Path

from docs_blocks import PAGES, ROOT, Block, blocks

NIGHT, STACK = "demo-night", "demo-night-stack"
NAMES = {"first-night": NIGHT, "first-stack": STACK}
"""What pages call the demo's folders, and what they are called here."""

COMMANDS = (
    "coldframe demo",
    f"coldframe inspect {NIGHT}",
    f"coldframe plan {NIGHT} -o planned",
    f"coldframe run {NIGHT} -o {STACK}",
    f"coldframe shotlist {NIGHT} --dither-positions 1",
    f"coldframe explain {STACK}/Lantern-Nebula-clear-final.fits",
    f"coldframe run {NIGHT} -o changed --store {STACK}/store --with stack.reject=mad-clip",
    f"coldframe compare {STACK} changed -o compared",
    f"coldframe shotlist {NIGHT}",
)

PROSE = (
    # page, words with figures, command, words with the same figures in what it prints
    ("tutorial.md", r"raw files, (\d+) in all", 1, r"(\d+) frames: "),
    ("tutorial.md", r"(\w+) are found bad", 1, r", (\d+) set aside"),
    ("tutorial.md", r"darks at ([\d.]+), ([\d.]+) and ([\d.]+) °C", 2,
     r"dark · 120 s · ISO 1600 · ([\d.]+) °C · demo-night +\d"),
    ("tutorial.md", r"at most ([\d.]+) °C off", 2, r"dark: ([\d.]+) \S+ warmer"),
    ("tutorial.md", r"(\w+) frames averaged .* can give ([\d.]+) times", 0,
     r"stack \(.*: (\d+) frames.*best possible for these frames \(([\d.]+) x"),
    ("tutorial.md", r"this stack is ([\d.]+) times better", 0, r"stack \(.*, ([\d.]+) x better"),
    ("tutorial.md", r"lie at (\d+) dither positions", 8, r"Dithering: (\d+) positions"),
    ("tutorial.md", r"asks for (\w+) more darks near (\d+) °C", 4, r"(?m)^(\d+) +darks.*near (\d+) °C"),
)  # fmt: skip

NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?")
HIDDEN = (
    (re.compile(r"\b(in|about) [\d.]+ (s|min|h)\b"), r"\1 TIME"),
    (re.compile(r"\b[0-9a-f]{10,}\b"), "KEY"),
)
WORDS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten",
         "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen")  # fmt: skip

RELATIVE = 0.03
LAST_PLACES = 2  # of the last digit shown


def outputs(coldframe: Path, desk: Path) -> None:
    """Type the commands in `desk` and keep what each prints there, as 0.txt and so on."""
    env = {
        name: value for name, value in os.environ.items() if name not in ("COLUMNS", "PYTHONPATH")
    }
    env |= {f"XDG_{name}_HOME": str(desk / name) for name in ("CACHE", "DATA", "CONFIG", "STATE")}
    for number, command in enumerate(COMMANDS):
        print(f"+ {command}", flush=True)
        words = command.split()[1:]
        done = subprocess.run(
            [coldframe, *words], cwd=desk, env=env, capture_output=True, text=True,
            check=False,
        )  # fmt: skip
        if done.returncode:
            sys.exit(f"{command} ended with {done.returncode}:\n{done.stderr}")
        (desk / f"{number}.txt").write_text(done.stdout, encoding="utf-8")


def compare_pages(desk: Path, write: bool = False) -> list[str]:
    """Every figure that is not what the commands printed, in words."""
    told = {command: (desk / f"{n}.txt").read_text() for n, command in enumerate(COMMANDS)}
    wrong = []
    for page in PAGES:
        for block in blocks(page):
            command = _renamed(block.marks.get("printed by", ""))
            if not command:
                continue
            if command not in told:
                wrong.append(f"{block.place}: '{command}' is not typed by {Path(__file__).name}")
                continue
            new, faults = compare_block(block.text.splitlines(), told[command].splitlines())
            wrong += [f"{block.place}: {fault}" for fault in faults]
            if write:
                _replace(block, new)
    return wrong + _prose(told)


def compare_block(shown: Iterable[str], printed: list[str]) -> tuple[list[str], list[str]]:
    """The block's lines with the figures that were printed, and what was wrong with them."""
    new, faults, start = [], [], 0
    printed = [_renamed(line) for line in printed]
    for line in shown:
        if line.strip() in ("", "..."):
            new.append(line)
            continue
        places = [n for n in range(start, len(printed)) if same_words(line, printed[n])]
        if not places:
            faults.append(f"the command prints no such line here: {line.strip()}")
            new.append(line)
            continue
        start = places[0] + 1
        fresh = _like(line, printed[places[0]])
        new.append(line if (same := same_figures(line, fresh)) else fresh)
        if not same:
            faults.append(f"shown '{line.strip()}', printed '{fresh.strip()}'")
    return new, faults


def same_words(shown: str, printed: str) -> bool:
    """Whether two lines differ in figures only; `...` ends what is compared."""
    a, b = _bare(shown), _bare(printed)
    return b.startswith(a[:-3].rstrip()) if a.endswith("...") else a == b


def same_figures(shown: str, printed: str) -> bool:
    """Whether two lines of the same words tell the same, within the tolerance."""
    pairs = zip(_numbers(shown), _numbers(printed), strict=False)
    return all(close(a, b) for a, b in pairs)


def close(shown: str, printed: str) -> bool:
    """Whether two numbers, as written, agree within the tolerance."""
    places = len(shown.partition(".")[2])
    allowed = max(RELATIVE * abs(float(printed)), (LAST_PLACES * 10.0**-places) if places else 0)
    return abs(float(shown) - float(printed)) <= allowed * (1 + 1e-9)


def _numbers(line: str) -> list[str]:
    for pattern, instead in HIDDEN:
        line = pattern.sub(instead, line)
    return NUMBER.findall(line)


def _bare(line: str) -> str:
    line = _renamed(line)
    for pattern, instead in HIDDEN:
        line = pattern.sub(instead, line)
    return " ".join(NUMBER.sub("#", line).split())


def _like(shown: str, printed: str) -> str:
    """The printed line, cut where the shown one is and with its names of folders."""
    if shown.rstrip().endswith("..."):
        words = len(shown.rstrip()[:-3].split())
        printed = re.match(rf"\s*(?:\S+\s+){{{words}}}", printed + " ")[0].rstrip() + " ..."
    for name, instead in NAMES.items():
        if name in shown:
            printed = re.sub(rf"\b{instead}\b(?!-stack)", name, printed)
    return printed.rstrip()


def _renamed(text: str) -> str:
    for name, instead in NAMES.items():
        text = text.replace(name, instead)
    return text


def _replace(block: Block, lines: list[str]) -> None:
    page = block.page.read_text(encoding="utf-8").splitlines()
    page[block.line : block.line + len(lines)] = lines
    block.page.write_text("\n".join(page) + "\n", encoding="utf-8")


def _prose(told: Mapping[str, str]) -> list[str]:
    wrong = []
    pages = {page.name: page for page in PAGES}
    for name, shown, number, printed in PROSE:
        found = re.search(shown, pages[name].read_text(encoding="utf-8"))
        there = re.findall(printed, told[COMMANDS[number]])
        if not found or not there:
            wrong.append(f"{name}: '{shown if not found else printed}' is not found")
            continue
        flat = [one for each in there for one in ((each,) if isinstance(each, str) else each)]
        figures = [str(WORDS.index(w)) if (w := g.lower()) in WORDS else w for g in found.groups()]
        matched = [any(close(figure, one) for one in flat) for figure in figures]
        if not all(matched):
            wrong.append(f"{name}: '{found[0]}', but '{COMMANDS[number]}' prints {flat}")
    return wrong


if __name__ == "__main__":
    faults = compare_pages(Path(sys.argv[1]).resolve(), write="--write" in sys.argv)
    print("\n".join(faults) or f"every figure of the pages in {ROOT.name} is as printed")
    sys.exit(1 if faults else 0)
