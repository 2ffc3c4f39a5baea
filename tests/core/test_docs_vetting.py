"""docs/inspecting.md lists every limit as it is, and every fault that the tests simulate."""

import re
from pathlib import Path

from vetsim import FAULTS

from coldframe.vetting.thresholds import VET_PARAMS

TEXT = (Path(__file__).parents[2] / "docs/inspecting.md").read_text()


def test_every_limit_is_documented_as_it_is():
    for name, s in VET_PARAMS.items():
        line = f"| `{name}` | {s['default']:g} | {s['unit']} | {s['description']} |"
        assert line in TEXT, line


def test_the_faults_of_the_table_are_those_that_are_simulated():
    table = TEXT[TEXT.index("| fault |") : TEXT.index("The last column")]
    rows = [line.strip("| ").split(" | ") for line in table.splitlines()[2:] if line]
    told = {name.strip(): row[0] for row in rows if len(row) > 2 for name in row[2].split("; ")}
    assert set(told) == set(FAULTS)
    for name, (rule, _) in FAULTS.items():
        assert rule in re.findall("`([^`]+)`", told[name]), name
