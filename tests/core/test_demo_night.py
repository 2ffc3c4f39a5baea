"""The demo's night: its files, its notes, its truth, and what it will not overwrite."""

import hashlib
from collections import Counter
from datetime import UTC

import numpy as np
import pytest
import rawpy
import sep
from astropy.io import fits

from coldframe.demo.night import invent, make_night, take
from coldframe.demo.truth import load_truth, truth_path
from coldframe.errors import UsageError
from coldframe.frame import Kind
from coldframe.notes_file import read_notes


@pytest.fixture(scope="module")
def nights(demo_night):
    made = {kind: demo_night(kind) for kind in KINDS}
    return {kind: (night.folder, night.truth) for kind, night in made.items()}


KINDS = ("colour", "mono")


def bytes_of(folder):
    files = sorted(p for p in folder.rglob("*") if p.is_file())
    return {p.relative_to(folder): hashlib.sha256(p.read_bytes()).digest() for p in files}


@pytest.mark.parametrize("kind", KINDS)
def test_the_same_seed_gives_the_same_bytes(nights, tmp_path, kind):
    seen = []
    make_night(tmp_path / "again", "tiny", 3, kind, threads=1, progress=lambda *n: seen.append(n))
    folder, truth = nights[kind]
    assert bytes_of(tmp_path / "again") == bytes_of(folder)
    assert truth_path(tmp_path / "again").read_bytes() == truth_path(folder).read_bytes()
    total = len(truth.shots)
    assert seen == [(n, total) for n in range(1, total + 1)]


def test_another_seed_gives_another_sky():
    one, two = (invent("mono", "tiny", seed).truth for seed in (1, 2))
    assert one.stars.v[0] != two.stars.v[0]
    assert one.nebula != two.nebula
    assert one.shots[0].view != two.shots[0].view


@pytest.mark.parametrize("kind", KINDS)
def test_truth_comes_back_whole(nights, kind):
    folder, truth = nights[kind]
    again = load_truth(truth_path(folder))
    for name in ("v", "u", "rate"):
        assert np.array_equal(getattr(again.stars, name), getattr(truth.stars, name))
    for name in ("shots", "camera", "optics", "dust", "nebula", "bands", "shape", "seed", "kind"):
        assert getattr(again, name) == getattr(truth, name)


def test_colour_night_is_made_of_dng_files(nights):
    folder, truth = nights["colour"]
    counts = Counter(shot.kind for shot in truth.shots)
    assert counts == {Kind.LIGHT: 7, Kind.DARK: 6, Kind.FLAT: 4, Kind.BIAS: 8}
    for number, shot in enumerate(truth.shots[:3]):
        with rawpy.imread(str(folder / shot.name)) as raw:
            assert np.array_equal(raw.raw_image, take(invent("colour", "tiny", 3), number))
    present = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}
    assert present == {s.name for s in truth.shots} | {"notes.yaml", "README.txt"}
    assert not any(kind.value in s.name.lower() for s in truth.shots for kind in Kind)


def test_mono_night_is_made_of_standard_fits_files(nights):
    folder, truth = nights["mono"]
    for shot in truth.shots:
        with fits.open(folder / shot.name, checksum=True) as file:
            file.verify("exception")
            header, data = file[0].header, file[0].data
        assert data.dtype == np.uint16
        assert data.shape == truth.shape
        assert header["BZERO"] == 32768
        assert header["EXPTIME"] == shot.exposure
        assert header["CCD-TEMP"] == shot.temperature
        assert header.get("FILTER") == (None if shot.band is None else truth.bands[shot.band])
        start = shot.start.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S")
        assert header["DATE-OBS"].startswith(start)
    filters = Counter(truth.bands[s.band] for s in truth.lights.values())
    assert filters == {"L": 6, "R": 4, "G": 4, "B": 4}


def test_notes_tell_the_temperature_the_camera_does_not(nights):
    folder, truth = nights["colour"]
    notes = read_notes(folder)
    assert notes.facts["target"] == truth.target
    assert notes.facts["optics"] == truth.optics.name
    for shot in truth.shots:
        noted = notes.temperature_at(shot.start.astimezone(UTC))
        assert noted == pytest.approx(shot.temperature, abs=0.6)


@pytest.mark.parametrize("kind", KINDS)
def test_the_files_say_that_they_are_simulated(nights, kind):
    folder, _ = nights[kind]
    assert "SIMULATED" in (folder / "README.txt").read_text()
    assert "Simulated" in (folder / "notes.yaml").read_text()


def test_the_night_has_what_nights_have():
    truth = invent("colour", "small", 1).truth
    views = [s.view for s in truth.lights.values()]
    turns = np.array([v.projection.rotation for v in views])
    assert turns.min() < 1 < 180 < turns.max()
    assert sum(v.hopeless for v in views) == 1
    assert sum(bool(v.trails) for v in views) == 5
    assert sum(v.transparency < 0.85 for v in views) == 3  # thin cloud twice, thick cloud once
    assert max(v.psf.fwhm for v in views) > 1.4 * np.median([v.psf.fwhm for v in views])
    darks = [s.temperature for s in truth.shots if s.kind is Kind.DARK]
    lights = [s.temperature for s in truth.lights.values()]
    gaps = [min(abs(d - t) for t in lights) for d in darks]
    assert sum(g < 1.5 for g in gaps) >= 10
    assert sum(g > 5 for g in gaps) >= 10


def test_thick_cloud_hides_the_stars():
    outfit = invent("mono", "tiny", 3)
    found = {}
    for number, shot in enumerate(outfit.truth.shots):
        if shot.view is not None:
            frame = take(outfit, number).astype(np.float32)
            frame -= sep.Background(frame).back()
            sources = sep.extract(frame, 5.0, err=float(np.median(np.abs(frame)) * 1.4826))
            found.setdefault(shot.view.hopeless, []).append(sum(sources["npix"] > 6))
    assert max(found[True]) <= 3
    assert min(found[False]) >= 6


def test_an_earlier_night_of_the_demo_is_replaced(tmp_path):
    make_night(tmp_path / "night", "tiny", 1, "mono")
    make_night(tmp_path / "night", "tiny", 1, "colour")
    truth = load_truth(truth_path(tmp_path / "night"))
    assert truth.kind == "colour"
    assert not list((tmp_path / "night").glob("*.fits"))


def test_other_files_are_never_touched(tmp_path):
    folder = tmp_path / "night"
    make_night(folder, "tiny", 1, "mono")
    (folder / "mine.fits").write_bytes(b"precious")
    before = bytes_of(folder)
    with pytest.raises(UsageError, match=r"did not make, such as mine\.fits"):
        make_night(folder, "tiny", 1, "mono")
    assert bytes_of(folder) == before


def test_a_folder_of_someone_else_is_refused(tmp_path):
    (tmp_path / "night").mkdir()
    (tmp_path / "night" / "notes.yaml").write_text("target: mine\n")
    with pytest.raises(UsageError, match="choose another folder"):
        make_night(tmp_path / "night", "tiny", 1, "mono")
    assert (tmp_path / "night" / "notes.yaml").read_text() == "target: mine\n"
    assert not truth_path(tmp_path / "night").exists()


@pytest.mark.parametrize("what", ["file", "truth"])
def test_files_in_the_way_are_refused(tmp_path, what):
    folder = tmp_path / "night"
    place = folder if what == "file" else truth_path(folder)
    place.write_text("{}")
    with pytest.raises(UsageError, match="night"):
        make_night(folder, "tiny", 1, "mono")
    assert place.read_text() == "{}"


@pytest.mark.parametrize(("kind", "size"), [("colour", "huge"), ("grey", "small")])
def test_unknown_kinds_and_sizes_are_named(tmp_path, kind, size):
    with pytest.raises(UsageError, match="choose"):
        make_night(tmp_path / "night", size, 1, kind)
    assert not (tmp_path / "night").exists()


def test_a_missing_truth_is_said_plainly(tmp_path):
    with pytest.raises(UsageError, match="no such file"):
        load_truth(tmp_path / "none.json")
