"""Every benchmark against its peer: `python -m tests.benchmarks [PART ...] [--json FILE]`."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path

from tests.benchmarks.harness import Outcome, all_cases, chosen, discover, run
from tests.benchmarks.machine import describe

START, END = "<!-- measured -->", "<!-- end of measured -->"
"""What `--markdown` fills in between, of a page that has both; any other file it replaces."""

HEADER = ("work", "ours", "ns/px", "against", "peer", "ratio", "best", "cpu", "target", "met")


def main() -> int:
    """Run the chosen cases; 1 when results disagree."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("parts", nargs="*", metavar="PART", help="only cases with this in the name")
    parser.add_argument("--module", action="append", default=[], choices=discover())
    parser.add_argument("--quick", action="store_true", help="small input, few rounds")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the outcomes here")
    parser.add_argument("--markdown", type=Path, metavar="FILE", help="write the table into a page")
    args = parser.parse_args()
    outcomes: list[Outcome] = []
    failed = False
    _say(HEADER)
    for case in chosen(all_cases(args.quick, args.module), args.parts):
        try:
            outcomes.append(run(case, rounds=3 if args.quick else None))
        except AssertionError as err:
            failed = True
            print(f"{case.name}: results differ, so times do not compare: {err}", flush=True)
            continue
        _say(row(outcomes[-1]))
    facts = describe()
    print(", ".join(f"{key} {value}" for key, value in facts.items()))
    if args.json:
        whole = {"machine": facts, "quick": args.quick, "cases": [asdict(o) for o in outcomes]}
        args.json.write_text(json.dumps(whole, indent=1) + "\n")
    if args.markdown:
        fill(args.markdown, markdown(outcomes, facts))
    return 1 if failed else 0


def row(o: Outcome) -> tuple[str, ...]:
    """A case's line of the table."""
    return (
        o.name,
        _time(o.seconds),
        "" if o.nanoseconds is None else f"{o.nanoseconds:.1f}",
        o.against,
        "" if o.peer_seconds is None else _time(o.peer_seconds),
        *("" if x is None else f"{x:.2f}" for x in (o.ratio, o.best, o.cpu)),
        *(_target(o) if o.target else ("", "")),
    )


def _target(o: Outcome) -> tuple[str, str]:
    wanted = f"{o.target:.2f}x" if o.ratio is not None else _time(o.target)
    return wanted, "yes" if o.met else "no"


def markdown(outcomes: Sequence[Outcome], facts: Mapping[str, str]) -> str:
    """The table, what it was measured on, and what was compared before any time counted."""
    lines = ["| " + " | ".join(HEADER) + " |", "|" + " --- |" * len(HEADER)]
    lines += ["| " + " | ".join(row(o)) + " |" for o in outcomes]
    lines += ["", "Measured on: " + ", ".join(f"{k} {v}" for k, v in facts.items()) + ".", ""]
    lines += ["What agreed before time counted:", ""]
    return "\n".join([*lines, *(f"- {o.name}: {o.agreed}" for o in outcomes)]) + "\n"


def fill(page: Path, text: str) -> None:
    """Write the text between a page's marks, or as the whole of it."""
    old = page.read_text() if page.exists() else ""
    if START in old and END in old:
        before, after = old.split(START)[0], old.split(END)[1]
        text = f"{before}{START}\n{text}{END}{after}"
    page.write_text(text)


def _time(seconds: float) -> str:
    return f"{seconds:.2f} s" if seconds >= 1 else f"{seconds * 1e3:.1f} ms"


def _say(cells: Sequence[str]) -> None:
    widths = (34, 9, 7, 30, 9, 7, 7, 7, 8, 3)
    print("  ".join(f"{c:<{w}}" for c, w in zip(cells, widths, strict=True)), flush=True)


if __name__ == "__main__":
    sys.exit(main())
