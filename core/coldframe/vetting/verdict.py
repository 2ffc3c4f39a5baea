"""What vetting says of a frame: use it, use it with a warning, or set it aside, and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from coldframe.frame import FrameInfo


class Verdict(StrEnum):
    """What is to become of a frame."""

    USE = "use"
    WARN = "warn"
    SET_ASIDE = "set aside"


_ORDER = (Verdict.USE, Verdict.WARN, Verdict.SET_ASIDE)


@dataclass(frozen=True, slots=True)
class Finding:
    """One fault of one frame.

    rule : its name, such as "cloud". reason : plain words with the number. value : the number
    itself, and limit : what it was held against, in the unit of the reason.
    """

    rule: str
    verdict: Verdict
    reason: str
    value: float
    limit: float


@dataclass(frozen=True, slots=True)
class Vetted:
    """One frame, what was found and what is to become of it.

    label : its path below the night's folder. used_anyway_by : who overruled the verdict, such as
    "notes.yaml" or "--use-anyway '*.dng'"; "" when nobody did.
    """

    info: FrameInfo
    label: str
    findings: tuple[Finding, ...] = ()
    used_anyway_by: str = ""

    @property
    def found(self) -> Verdict:
        """The worst of the findings, whoever overruled it."""
        return max((f.verdict for f in self.findings), key=_ORDER.index, default=Verdict.USE)

    @property
    def verdict(self) -> Verdict:
        """What is to become of the frame."""
        return Verdict.USE if self.used_anyway_by else self.found

    @property
    def reason(self) -> str:
        """The worst findings first, in one line."""
        worst = sorted(self.findings, key=lambda f: -_ORDER.index(f.verdict))
        return "; ".join(f.reason for f in worst)

    def overruled(self, by: str) -> Vetted:
        """The same frame, used whatever was found."""
        return replace(self, used_anyway_by=by)


def warnings(vetted: Sequence[Vetted]) -> tuple[str, ...]:
    """Lines for the photographer: one for each frame, or one a rule where many share it."""
    by_rule: dict[str, list[tuple[str, str]]] = {}
    lines = []
    for frame in vetted:
        if frame.used_anyway_by and frame.found is not Verdict.USE:
            by = frame.used_anyway_by
            lines.append(f"{frame.label} is used by order of {by} although {frame.reason}")
        elif frame.verdict is Verdict.WARN:
            for finding in frame.findings:
                by_rule.setdefault(finding.rule, []).append((frame.label, finding.reason))
    for rule, found in by_rule.items():
        if len(found) <= 3:
            lines += [f"{label}: {reason}" for label, reason in found]
        else:
            label, reason = found[0]
            lines.append(
                f"{len(found)} frames have the fault '{rule}', the first of them {label}: {reason}; "
                "'coldframe inspect' lists them"
            )
    return tuple(lines)
