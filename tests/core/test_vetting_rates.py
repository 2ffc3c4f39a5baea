"""How many faults vetting catches, and how many clean frames it blames, on simulated nights.

The limits of this test are the promise of docs/inspecting.md: more than 95% of each sort of fault at
the strength stated there, fewer than 1% of the frames of clean nights. The ordinary tests hold a
few frames to it, the slow ones hundreds.
"""

from collections import Counter

import pytest
from vetsim import FAULTS, Night, verdicts

KINDS = ("colour", "mono")


def rates(seeds, draws):
    """(clean frames, those blamed, caught by fault, tried by fault)."""
    frames, blamed = 0, []
    caught, tried = Counter(), Counter()
    for kind in KINDS:
        for seed in seeds:
            night = Night(kind, seed)
            for subject, findings in zip(night.subjects, verdicts(night.subjects), strict=True):
                frames += 1
                if findings:
                    blamed.append((kind, seed, subject.label, findings[0].reason))
            for name, (rule, make) in FAULTS.items():
                for _ in range(draws):
                    findings = verdicts([*night.subjects, make(night)])[-1]
                    caught[name] += any(f.rule == rule for f in findings)
                    tried[name] += 1
    return frames, blamed, caught, tried


def check(seeds, draws):
    frames, blamed, caught, tried = rates(seeds, draws)
    assert len(blamed) < 0.01 * frames, blamed
    shares = {name: caught[name] / tried[name] for name in tried}
    assert len(shares) == len(FAULTS)
    assert min(shares.values()) > 0.95, {n: s for n, s in shares.items() if s <= 0.95}
    return frames, blamed, shares


def test_faults_are_caught_and_clean_frames_are_not_blamed():
    check(seeds=(21,), draws=1)


@pytest.mark.slow
def test_faults_are_caught_and_clean_frames_are_not_blamed_over_many_nights():
    frames, blamed, shares = check(seeds=range(100, 110), draws=3)
    missed = {name: f"{share:.1%}" for name, share in shares.items() if share < 1}
    print(f"{len(blamed)} of {frames} clean frames blamed; not always caught: {missed}")
