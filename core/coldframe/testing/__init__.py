"""For tests of plugins: `check_step` tries a step against every rule of the contract.

    from coldframe.testing import check_step

    def test_my_step():
        check_step(MyStep)

It raises AssertionError with every rule that is broken and how; no test framework is needed.
"""

from coldframe.testing.check import RULES, check_step
from coldframe.testing.running import Result, run_step
from coldframe.testing.samples import sample_frames, sample_master

__all__ = ["RULES", "Result", "check_step", "run_step", "sample_frames", "sample_master"]
