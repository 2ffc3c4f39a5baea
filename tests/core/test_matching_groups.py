"""Frames that belong together."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coldframe.errors import UsageError
from coldframe.facts import FACTS, exposure_text, show
from coldframe.frame import FrameInfo, Kind
from coldframe.matching import group

DARK = FrameInfo(kind=Kind.DARK, camera="Aurel K1", iso=1600, exposure=120.0, temperature=14.0)


def at(**facts):
    return replace(DARK, **facts)


def test_equal_facts_split_and_the_label_reads_well():
    infos = [at(), at(exposure=60.0), at(temperature=14.4), at(iso=800)]
    groups = group(infos, ["camera", "iso", "exposure", "temperature"])
    assert [g.members for g in groups] == [(0, 2), (1,), (3,)]
    assert [g.label for g in groups] == [
        "dark · 120 s · ISO 1600 · 14.2 °C",
        "dark · 60 s · ISO 1600 · 14.0 °C",
        "dark · 120 s · ISO 800 · 14.0 °C",
    ]
    assert groups[0].info.temperature == pytest.approx(14.2)
    assert groups[0].info.exposure == 120.0
    assert groups[1].info.kind is Kind.DARK


def test_a_cluster_never_spans_more_than_the_tolerance():
    # A slow drift: every step is small, the whole is not.
    infos = [at(temperature=10 + 0.5 * i) for i in range(12)]
    groups = group(infos, ["temperature"], {"temperature": 2.0})
    assert [len(g.members) for g in groups] == [5, 5, 2]


def test_exposure_tolerance_is_a_fraction():
    infos = [at(exposure=e) for e in (0.0100, 0.0101, 0.02, 300.0, 303.0, 320.0)]
    groups = group(infos, ["exposure"])
    assert [g.members for g in groups] == [(0, 1), (2,), (3, 4), (5,)]
    assert groups[0].info.exposure == pytest.approx(0.01005)


def test_missing_facts_go_together():
    infos = [at(temperature=None), at(), at(temperature=None)]
    groups = group(infos, ["temperature"])
    assert [g.members for g in groups] == [(0, 2), (1,)]
    assert groups[0].label == "dark · temperature unknown"


def test_sensor_facts_split_unasked_and_show_in_the_label_only_then():
    infos = [at(shape=(40, 60)), at(shape=(40, 60), camera="Aurel K2")]
    groups = group(infos, ["exposure"])
    assert [g.label for g in groups] == ["dark · Aurel K1 · 120 s", "dark · Aurel K2 · 120 s"]
    together = group(infos, ["exposure"], sensor=False)
    assert [g.members for g in together] == [(0, 1)]
    assert together[0].info.camera is None


def test_lens_stands_for_optics_nobody_named():
    infos = [at(lens="50 mm"), at(lens="35 mm"), at(optics="newtonian")]
    assert len(group(infos, ["optics"])) == 3


def test_summary_keeps_only_what_members_share():
    infos = [
        at(path="a", iso=800, white=4000.0, black=(100.0,), start=datetime(2024, 1, 1)),
        at(path="b", iso=1600, white=3900.0, black=(102.0,), start=datetime(2024, 1, 3)),
        at(path="c", iso=1600, white=4000.0, black=(101.0,), start=datetime(2024, 1, 2)),
    ]
    (only,) = group(infos, ["kind"])
    assert only.info.path == ""
    assert only.info.iso is None
    assert only.info.white == 3900.0
    assert only.info.black == (101.0,)
    assert only.info.start == datetime(2024, 1, 2)
    assert only.info.exposure == 120.0


def test_temperatures_too_far_apart_have_no_mean():
    (only,) = group([at(temperature=0.0), at(temperature=30.0)], ["kind"])
    assert only.info.temperature is None


def test_unknown_fact_names_the_nearest():
    with pytest.raises(UsageError, match="did you mean temperature"):
        group([DARK], ["temprature"])


def test_labels_are_unique():
    infos = [at(temperature=14.01), at(temperature=14.02)]
    labels = [g.label for g in group(infos, ["temperature"], {"temperature": 0.001})]
    assert len(set(labels)) == 2


def test_nothing_to_group():
    assert group([], ["kind"]) == []


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(120, "120 s"), (0.004, "1/250 s"), (0.5, "0.5 s"), (1.3, "1.3 s"), (0, "0 s")],
)
def test_exposures_read_as_photographers_write_them(seconds, text):
    assert exposure_text(seconds) == text


def test_every_fact_can_be_shown():
    values = {"binning": (2, 2), "shape": (40, 60), "kind": Kind.FLAT, "filter": "Ha"}
    for name in FACTS:
        assert show(name, values.get(name, 5))
        assert show(name, None)


infos = st.lists(
    st.builds(
        FrameInfo,
        kind=st.sampled_from([Kind.DARK, Kind.BIAS]),
        camera=st.sampled_from(["Aurel K1", None]),
        exposure=st.none() | st.floats(0.001, 600),
        temperature=st.none() | st.floats(-20, 40),
    ),
    max_size=12,
)


@given(infos, st.floats(0.1, 5), st.randoms(use_true_random=False))
def test_groups_are_disjoint_cover_all_and_ignore_the_order(frames, tolerance, random):
    per = ["kind", "exposure", "temperature"]
    groups = group(frames, per, {"temperature": tolerance})
    assert sorted(i for g in groups for i in g.members) == list(range(len(frames)))
    for g in groups:
        values = [frames[i].temperature for i in g.members]
        assert all(v is None for v in values) or max(values) - min(values) <= tolerance + 1e-6
        assert len({frames[i].camera for i in g.members}) == 1
    order = list(range(len(frames)))
    random.shuffle(order)
    shuffled = group([frames[i] for i in order], per, {"temperature": tolerance})
    assert {frozenset(order[i] for i in g.members) for g in shuffled} == {
        frozenset(g.members) for g in groups
    }
