"""The record of what work costs on this machine, and what an estimate makes of it."""

import json

import pytest

from coldframe.cli.options import make_request
from coldframe.learned import KINDS, RUNS, Learned, learn, read_learned
from coldframe.plugins import find_plugins
from coldframe.session import prepare
from coldframe.specs import FrameTask


def test_a_run_that_compiled_and_a_busy_hour_do_not_spoil_the_estimate(tmp_path):
    file = tmp_path / "deep" / "costs.json"
    assert read_learned(file).first_use
    for rate in (40.0, 0.5, 0.4, 9.0, 0.6):  # the first compiled, 9 was a busy hour
        learn(file, {"register": (rate * 10, 10.0), "decide": (3.0, 0.0)})
    told = read_learned(file)
    assert told.rates == pytest.approx({"register": 0.5})
    assert not told.first_use


def test_what_is_spent_while_loops_are_compiled_is_not_learned():
    told = Learned().plus({"combine": (50.0, 10.0)})
    assert told.rates == {}
    assert not told.first_use
    assert told.plus({"combine": (1.0, 10.0)}).rates == pytest.approx({"combine": 0.1})


def test_the_record_stays_small():
    told = Learned()
    for number in range(3 * KINDS):
        told = told.plus({"register": (1.0, 1.0), f"other {number}": (1.0, 1.0)})
    assert len(told.costs) <= KINDS
    assert len(told.costs["register"]) == RUNS


@pytest.mark.parametrize(
    "text",
    ["", "[]", "{", '{"costs": {"a": ["x"]}, "compiled": ""}', '{"costs": {"a": []}, "compiled": ""}',
     '{"costs": {"a": [NaN]}, "compiled": ""}', '{"costs": 3, "compiled": ""}'],
)  # fmt: skip
def test_a_damaged_record_is_begun_anew(tmp_path, text):
    file = tmp_path / "costs.json"
    file.write_text(text)
    assert read_learned(file) == Learned()
    for _ in range(2):
        learn(file, {"register": (2.0, 1.0)})
    assert json.loads(file.read_text())["costs"] == {"register": [2.0]}


def test_a_record_that_cannot_be_written_is_done_without(tmp_path):
    (tmp_path / "file").write_text("in the way")
    learn(tmp_path / "file" / "costs.json", {"register": (2.0, 1.0)})


def test_frames_are_not_looked_at_again_for_a_rule_that_no_look_goes_by(tiny_run):
    """Another rejection rule changes the stack and what follows, and no single frame."""
    night, output = tiny_run
    request = make_request(
        (night,), None, ("stack.reject=mad-clip",), output, None, 1, 1 << 30, no_library=True,
        compare_masters=0,
    )  # fmt: skip
    todo = prepare(request, find_plugins()).tasks.values()
    assert {"stack"} <= {spec.step_id for spec, _ in todo}
    # The background fit takes the stack, not the night's frames.
    assert {spec.step_id for spec, _ in todo if isinstance(spec, FrameTask)} == {"final"}
