"""The notes file: both forms, the clock, globs, and every fault said at once with its place."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from coldframe import notes as notes_module
from coldframe.errors import RecipeError
from coldframe.frame import FrameInfo, Kind
from coldframe.notes import Notes, fits
from coldframe.notes_applied import AppliedNotes
from coldframe.notes_file import parse_notes, read_notes


def example(form: str) -> str:
    """The example in the documentation of the format, as a photographer would copy it."""
    doc = notes_module.__doc__ or ""
    part = doc.split(f"The {form} form")[1].split("::\n", 1)[1]
    return "\n".join(line[4:] for line in part.strip("\n").split("\n\n")[0].splitlines())


def utc(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=UTC)


def faults(text: str, file: str = "notes.yaml") -> list[str]:
    with pytest.raises(RecipeError) as caught:
        parse_notes(text, file)
    return [str(problem) for problem in caught.value.problems]


def test_documented_yaml_example_means_what_it_says() -> None:
    notes = parse_notes(example("YAML"), "notes.yaml")
    assert notes.facts == {
        "target": "Ring of reeds",
        "filter": "clear",
        "optics": "135 mm lens",
    }
    assert notes.utc_offset == timedelta(hours=1)
    assert notes.temperatures == ((utc(2026, 1, 14, 20, 40), 11.5), (utc(2026, 1, 15, 0, 10), 8.0))
    assert notes.kind_by_glob("darks/a.dng") == (Kind.DARK, "darks/*")
    assert notes.kind_by_glob("sub/img_0207.dng") == (Kind.FLAT, "IMG_02*")
    assert notes.kind_by_glob("lights/a.dng") is None
    assert notes.verdict("IMG_0107.dng") == "the dew heater was off"
    assert notes.verdict("IMG_0108.dng") == ""
    cold = AppliedNotes(((notes, "darks/cold/x.dng"),)).complete(FrameInfo(temperature=3.0))
    assert (cold.temperature, cold.temperature_source) == (-5.0, "notes file")


def test_documented_csv_example_agrees_with_the_yaml_one() -> None:
    table = parse_notes(example("CSV"), "notes.csv")
    text = parse_notes(example("YAML"), "notes.yaml")
    assert table.temperatures == text.temperatures
    assert table.utc_offset == text.utc_offset
    assert table.facts == {"filter": "clear"}
    assert table.kind_by_file("flats/f1.dng") == (Kind.FLAT, "flats/*")
    assert table.verdict("IMG_0107.dng") == text.verdict("IMG_0107.dng")


@pytest.mark.parametrize(
    "clock",
    [
        "21:40",
        "'21:40'",
        "21:40:00",
        "2026-01-14T21:40",
        "2026-01-14 21:40:00",
        "20:40Z",
        "2026-01-14T20:40:00Z",
        "22:40+02:00",
    ],
)
def test_every_way_to_write_a_time_gives_the_same_moment(clock: str) -> None:
    # 21:40 unquoted is the integer 1300 in YAML 1.1 (sexagesimal integers, yaml.org/type/int.html)
    text = f"date: 2026-01-14\nutc_offset: 1\ntemperatures:\n  - time: {clock}\n    celsius: 5\n"
    assert parse_notes(text, "n.yaml").temperatures == ((utc(2026, 1, 14, 20, 40), 5.0),)


@pytest.mark.parametrize(
    ("written", "hours"),
    [("+10:30", 10.5), ("-03:30", -3.5), ("2", 2), ("'+01:00'", 1), ("-5", -5), ("0", 0)],
)
def test_clock_offset_forms(written: str, hours: float) -> None:
    assert parse_notes(f"utc_offset: {written}", "n.yaml").utc_offset == timedelta(hours=hours)


def test_time_before_noon_belongs_to_the_next_morning() -> None:
    text = (
        "date: 2026-01-31\ntemperatures: [{time: '01:30', celsius: 1}, {time: '12:00', celsius: 2}]"
    )
    times = [when for when, _ in parse_notes(text, "n.yaml").temperatures]
    assert times == [utc(2026, 1, 31, 12, 0), utc(2026, 2, 1, 1, 30)]


def test_temperature_is_on_the_line_between_entries_and_not_carried_far() -> None:
    notes = Notes(
        temperatures=(
            (utc(2026, 1, 14, 20), 10.0),
            (utc(2026, 1, 14, 22), 6.0),
            (utc(2026, 1, 15, 5), 2.0),
        )
    )
    assert notes.temperature_at(utc(2026, 1, 14, 20, 30)) == pytest.approx(9.0)
    assert notes.temperature_at(utc(2026, 1, 14, 19, 31)) == 10.0
    assert notes.temperature_at(utc(2026, 1, 14, 19, 29)) is None
    assert notes.temperature_at(utc(2026, 1, 14, 22, 20)) == 6.0  # in a gap of 7 hours
    assert notes.temperature_at(utc(2026, 1, 15, 1)) is None
    assert notes.temperature_at(utc(2026, 1, 15, 5, 30)) == 2.0
    assert notes.temperature_at(utc(2026, 1, 15, 5, 31)) is None
    assert Notes().temperature_at(utc(2026, 1, 15)) is None


def test_temperature_is_read_at_mid_exposure_and_only_fills_a_gap() -> None:
    notes = Notes(temperatures=((utc(2026, 1, 14, 20), 10.0), (utc(2026, 1, 14, 21), 4.0)))
    info = FrameInfo(start=utc(2026, 1, 14, 20), exposure=1200.0)
    assert AppliedNotes(((notes, "a"),)).complete(info).temperature == pytest.approx(9.0)
    own = FrameInfo(start=info.start, temperature=-10.0, temperature_source="header")
    assert AppliedNotes(((notes, "a"),)).complete(own) == own


def test_camera_clock_is_brought_to_utc_before_the_temperature_is_read() -> None:
    notes = parse_notes(
        "utc_offset: 2\ntemperatures: [{time: '2026-01-14T22:00', celsius: 7}]", "n.yaml"
    )
    info = FrameInfo(start=utc(2026, 1, 14, 22, 5))
    done = AppliedNotes(((notes, "a"),)).complete(info, camera_clock=True)
    assert done.start == utc(2026, 1, 14, 20, 5)
    assert done.temperature == 7.0
    assert AppliedNotes(((notes, "a"),)).complete(info).start == info.start


def test_top_level_facts_fill_gaps_and_file_facts_replace() -> None:
    notes = parse_notes(
        "camera: Aster One\niso: 800\nfiles: [{match: 'b*', iso: 1600, cfa: gbrg, binning: 2x1}]",
        "n.yaml",
    )
    info = FrameInfo(iso=400, cfa="RGGB")
    assert AppliedNotes(((notes, "a.dng"),)).complete(info) == FrameInfo(
        camera="Aster One", iso=400, cfa="RGGB"
    )
    assert AppliedNotes(((notes, "b.dng"),)).complete(info) == FrameInfo(
        camera="Aster One", iso=1600, cfa="GBRG", binning=(1, 2)
    )


def test_scene_is_for_frames_that_saw_it() -> None:
    notes = parse_notes("target: A\nfilter: B\noptics: C", "n.yaml")
    light, flat, dark = (
        AppliedNotes(((notes, "x"),)).scene(FrameInfo(kind=k))
        for k in (Kind.LIGHT, Kind.FLAT, Kind.DARK)
    )
    assert (light.target, light.filter, light.optics) == ("A", "B", "C")
    assert (flat.target, flat.filter, flat.optics) == (None, "B", "C")
    assert (dark.target, dark.filter, dark.optics) == (None, None, None)
    assert AppliedNotes(((notes, "x"),)).scene(FrameInfo(kind=Kind.LIGHT, filter="R")).filter == "R"


def test_every_fault_at_once_with_place_and_nearest_key() -> None:
    found = faults(
        "targt: x\n"
        "iso: lots\n"
        "temperatures:\n"
        "  - {time: 21:40, celsius: 3}\n"
        "  - {celsius: 3}\n"
        "kinds: {drk: a}\n"
        "files:\n"
        "  - {match: [], bining: 1}\n"
        "  - {kind: dark}\n"
    )
    starts = [line.split(": ")[0] for line in found]
    assert starts == [
        "notes.yaml:1:1",
        "notes.yaml:2:6",
        "notes.yaml:4:12",
        "notes.yaml:5:5",
        "notes.yaml:6:9",
        "notes.yaml:8:13",
        "notes.yaml:8:17",
        "notes.yaml:9:5",
    ]
    assert "did you mean 'target'?" in found[0]
    assert "date: 2026-01-14" in found[2]
    assert "needs time" in found[3]
    assert "did you mean 'dark'?" in found[4]
    assert "did you mean 'binning'?" in found[6]
    assert "needs match" in found[7]


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("target: a\ntarget: b", "given twice"),
        ("[1, 2]", "key: value"),
        ("files: {a: 1}", "must be a list"),
        ("kinds: [a]", "key: value"),
        ("temperatures: [a]", "key: value"),
        ("a: [", "not valid YAML"),
        ("utc_offset: +19:00", "14 hours"),
        ("utc_offset: summer", "clock offset"),
        ("date: soon", "not a date"),
        ("cfa: RGB", "not a CFA pattern"),
        ("black: [1, 2]", "not a black level"),
        ("binning: 0", "not a binning"),
        ("iso: 0", "above 0"),
        ("exposure: -1", "less than 0"),
        ("exposure: .inf", "finite"),
        ("temperature: -300", "less than -273.15"),
        ("target: [a]", "not a name"),
        ("files: [{match: a, kind: lihgt}]", "write one of light"),
        ("files: [{match: a, use_anyway: maybe}]", "neither true nor false"),
        ("temperatures: [{time: 2026-01-14, celsius: 1}]", "not a time"),
        ("date: 2026-01-14\ntemperatures: [{time: '25:00', celsius: 1}]", "not a time"),
    ],
)
def test_faults_in_yaml(text: str, part: str) -> None:
    assert any(part in line for line in faults(text))


@pytest.mark.parametrize(
    ("text", "place", "part"),
    [
        ("fil,celsius\na,1", "notes.csv:1:1", "did you mean 'file'?"),
        ("file,file\na,b", "notes.csv:1:1", "more than once"),
        ("file,kind\na,dark,c", "notes.csv:2:8", "more cells"),
        ("# by hand\n\ntime,celsius\n2026-01-14T21:40,", "notes.csv:4:1", "needs time and celsius"),
        ("file,time\na,21:40", "notes.csv:2:3", "cannot have time"),
        ("file,iso\na,fast", "notes.csv:2:3", "not a number"),
        ("kind,iso\ndark,100", "notes.csv:2:1", "cannot have kind"),
    ],
)
def test_faults_in_csv(text: str, place: str, part: str) -> None:
    assert any(line.startswith(place) and part in line for line in faults(text, "notes.csv"))


def test_csv_with_semicolons_reads_decimal_commas_and_quotes() -> None:
    text = 'time;celsius;file;leave_out\n2026-01-14T21:40Z;-2,5;;\n;;"a;b*";"too ""wet"""\n'
    notes = parse_notes(text, "notes.csv")
    assert notes.temperatures == ((utc(2026, 1, 14, 21, 40), -2.5),)
    assert notes.verdict("a;b1.dng") == 'too "wet"'


def test_globs_ignore_case_and_reach_below() -> None:
    assert fits("Darks/IMG_1.CR2", "darks/*.cr2")
    assert fits("darks/cold/img_1.cr2", "darks/*")
    assert fits("x/img_1.cr2", "IMG_?.*")
    assert not fits("lights/darks/a.cr2", "darks/*")


def test_read_notes_merges_both_forms_and_reports_faults_of_both(tmp_path: Path) -> None:
    assert read_notes(tmp_path) is None
    (tmp_path / "notes.yaml").write_text("filter: clear\nkinds: {dark: 'd*'}\n")
    (tmp_path / "notes.csv").write_text("time,celsius\n2026-01-14T21:40Z,3\n")
    notes = read_notes(tmp_path)
    assert notes is not None
    assert notes.facts == {"filter": "clear"}
    assert len(notes.temperatures) == 1
    (tmp_path / "notes.csv").write_text("filter,isso\nred,1\n")
    with pytest.raises(RecipeError, match="isso") as caught:
        read_notes(tmp_path)
    assert "notes.csv:1:8" in str(caught.value)
    (tmp_path / "notes.csv").write_text("filter\nred\n")
    with pytest.raises(RecipeError, match="keep it in one"):
        read_notes(tmp_path)
    (tmp_path / "notes.csv").write_bytes(b"file,kind\n\xff\xfe,dark\n")
    with pytest.raises(RecipeError, match="UTF-8"):
        read_notes(tmp_path)


def test_empty_notes_say_nothing() -> None:
    for text in ("", "# only a remark\n"):
        notes = parse_notes(text, "notes.yaml")
        info = FrameInfo(path="x")
        assert AppliedNotes(((notes, "x"),)).complete(info) == info
        assert notes.globs() == ()
    assert parse_notes("\n", "notes.csv").files == ()


# 1 °F = 5/9 K, and 32 °F = 0 °C = 273.15 K; 1 in = 25.4 mm (NIST SP 811, 2008, appendix B.8; from memory).
@pytest.mark.parametrize(
    ("written", "fact", "value"),
    [
        ("exposure_s: 120", "exposure", 120.0),
        ("exposure_ms: 250", "exposure", 0.25),
        ("exposure_min: 2.5", "exposure", 150.0),
        ("Exposure (s): 120", "exposure", 120.0),
        ("temperature_c: -5", "temperature", -5.0),
        ("temperature_f: 41", "temperature", 5.0),
        ("temperature_k: 278.15", "temperature", 5.0),
        ("fahrenheit: 14", "temperature", -10.0),
        ("Temperature [°C]: 5", "temperature", 5.0),
        ("focal_length_mm: 135", "focal_length", 135.0),
        ("focal_length_cm: 20", "focal_length", 200.0),
        ("focal_length_in: 10", "focal_length", 254.0),
        ("gain_e_adu: 0.8", "gain", 0.8),
        ("read_noise_e: 2.5", "read_noise", 2.5),
        ("white_adu: 16383", "white", 16383.0),
    ],
)
def test_a_fact_may_carry_its_unit_in_both_forms(written: str, fact: str, value: float) -> None:
    key, number = written.rsplit(": ", 1)
    yaml, csv = f'"{key}": {number}\n', f"file,{key}\na*,{number}\n"
    assert parse_notes(yaml, "n.yaml").facts == {fact: pytest.approx(value, abs=1e-9)}
    table = parse_notes(csv, "n.csv")
    assert table.file_facts("a1") == {fact: pytest.approx(value, abs=1e-9)}
    german = parse_notes(csv.replace(",", ";").replace(".", ","), "n.csv")
    assert german.file_facts("a1") == table.file_facts("a1")


@pytest.mark.parametrize("clock", ["2026-01-14T20:40", "2026-01-14 20:40:00", "2026-01-14T20:40Z"])
def test_a_time_in_utc_and_a_temperature_with_its_unit(clock: str) -> None:
    there = ((utc(2026, 1, 14, 20, 40), 5.0),)
    rows = f"time_utc,temperature_f,utc_offset\n{clock},41,\n,,+02:00\n"
    assert parse_notes(rows, "n.csv").temperatures == there
    text = f"utc_offset: 2\ntemperatures: [{{time_utc: {clock}, temperature_c: 5}}]"
    assert parse_notes(text, "n.yaml").temperatures == there
    bare = "date: 2026-01-14\nutc_offset: 2\ntemperatures: [{time_utc: 20:40, kelvin: 278.15}]"
    assert parse_notes(bare, "n.yaml").temperatures == there
    own = "temperatures: [{time_utc: '2026-01-14T21:40+01:00', celsius: 5}]"
    assert parse_notes(own, "n.yaml").temperatures == there


@pytest.mark.parametrize(
    ("key", "part"),
    [
        ("exposure_m", "'exposure' may end in one of its units: s, ms, µs, min, h"),
        ("temperature_x", "'temperature' may end in one of its units: °C, °F, K"),
        ("iso_s", "write 'iso', without a unit"),
        ("gain_db", "'gain' may end in one of its units: e-/ADU"),
        ("exposre_s", "did you mean 'exposure'?"),
        ("humidity", "unknown"),
    ],
)
def test_a_unit_that_could_mean_two_things_is_refused(key: str, part: str) -> None:
    for text, file in ((f"{key}: 1", "n.yaml"), (f"file,{key}\na,1", "n.csv")):
        (line,) = faults(text, file)
        assert part in line
        assert f"'{key}'" in line


def test_one_fact_under_two_names_is_told_with_the_line_of_the_first() -> None:
    (line,) = faults("exposure: 120\niso: 800\nexposure_ms: 120000")
    assert line.startswith("notes.yaml:3:")
    assert "'exposure' is given twice, first on line 1" in line
    (line,) = faults("temperature_f: warm")
    assert "'warm' is not a number of °F" in line
    assert (
        "column 'exposure' is given more than once"
        in faults("exposure,exposure_s\n1,1", "n.csv")[0]
    )
