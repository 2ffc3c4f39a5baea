"""For tests of plugins: what a plugin adds is tried against every rule of the contract.

    from coldframe.testing import check_step

    def test_my_step():
        check_step(MyStep)

`check_reader` and `check_report_section` do the same for readers and parts of the report. They
raise AssertionError with every rule that is broken and how; no test framework is needed.
"""

from coldframe.testing.check import RULES, check_step
from coldframe.testing.reader_check import READER_RULES, check_reader
from coldframe.testing.running import Result, run_step
from coldframe.testing.samples import sample_frames, sample_master
from coldframe.testing.section_check import SECTION_RULES, check_report_section, sample_record

__all__ = [
    "READER_RULES",
    "RULES",
    "SECTION_RULES",
    "Result",
    "check_reader",
    "check_report_section",
    "check_step",
    "run_step",
    "sample_frames",
    "sample_master",
    "sample_record",
]
