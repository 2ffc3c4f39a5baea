"""The camera file: round trip, faults with their places, and what it adds to frames."""

import pytest

from coldframe.camera.file import CameraFile, DarkRate, Setting, as_dict, load_camera, save_camera
from coldframe.camera.known import cameras_folder, complete, find_cameras
from coldframe.errors import RecipeError, UsageError
from coldframe.frame import FrameInfo

SETTING = Setting(
    iso=1600,
    binning=(1, 1),
    gain=0.25,
    gain_error=0.001,
    read_noise=2.5,
    read_noise_adu=10.0,
    black=(512.0, 512.0, 512.0, 512.0),
    white=16000.0,
    full_well=3900.0,
    full_well_reached=True,
    dsnu={"R": 0.5, "G": 0.5, "B": 0.5},
    dark=(DarkRate(10.0, 0.4, 0.01, 0.1, 0.0025, 0.0004, 120.0),),
    doubling=6.0,
)
CAMERA = CameraFile("Nachtauge N1", "RGGB", (1000, 1500), 40, (SETTING,))


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    """A user's configuration of the test's own."""
    import platformdirs

    monkeypatch.setattr(platformdirs, "user_config_path", lambda name: tmp_path / "config" / name)
    return tmp_path / "config" / "coldframe" / "cameras"


def test_round_trip(tmp_path):
    path = save_camera(CAMERA, tmp_path / "n1.yaml")
    again = load_camera(path)
    assert as_dict(again) == as_dict(CAMERA)
    assert again.settings[0] == SETTING
    assert path.read_text().startswith("# Coldframe camera file")


def test_every_fault_has_its_place(tmp_path):
    path = tmp_path / "bad.yaml"
    path.write_text(
        "camera-file: 1\ncamera: N1\nsettings:\n- iso: 100\n  gain: -2\n  colour: red\n"
        "- gain: fast\n"
    )
    with pytest.raises(RecipeError) as caught:
        load_camera(path)
    places = [(p.line, p.column) for p in caught.value.problems]
    assert places == [(5, 9), (6, 3), (7, 9)]
    assert "unknown key 'colour'" in str(caught.value)
    assert "'settings.0.gain' is -2, but must be more than 0 e-/ADU" in str(caught.value)
    assert "'settings.1.gain' is 'fast', but must be a number of e-/ADU" in str(caught.value)


@pytest.mark.parametrize("text", ["", "hello", "camera: N1\n", "camera-file: 2\ncamera: N1\n"])
def test_what_is_no_camera_file_is_refused(tmp_path, text):
    path = tmp_path / "bad.yaml"
    path.write_text(text)
    with pytest.raises(RecipeError):
        load_camera(path)


def test_missing_and_binary_files_are_named(tmp_path):
    with pytest.raises(UsageError, match=r"none\.yaml"):
        load_camera(tmp_path / "none.yaml")
    (tmp_path / "b.yaml").write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(UsageError, match="not UTF-8"):
        load_camera(tmp_path / "b.yaml")


def test_frames_gain_only_what_they_do_not_say():
    plain = FrameInfo(camera="Nachtauge N1", iso=1600, cfa="RGGB")
    told = FrameInfo(camera="Nachtauge N1", iso=1600, gain=0.3, white=15000.0)
    other = FrameInfo(camera="Nachtauge N1", iso=800)
    stranger = FrameInfo(camera="Nachtauge N2", iso=1600)
    done = complete([plain, told, other, stranger], [CAMERA])
    assert [f.gain for f in done.frames] == [0.25, 0.3, None, None]
    assert [f.white for f in done.frames] == [16000.0, 15000.0, None, None]
    assert [f.read_noise for f in done.frames] == [2.5, 2.5, None, None]
    assert done.used == ("Nachtauge N1 told gain, read noise or white level of 2 frames",)


def test_the_named_file_goes_before_the_folders(home, tmp_path):
    home.mkdir(parents=True)
    save_camera(CAMERA, home / "n1.yaml")
    mine = CameraFile("Nachtauge N1", settings=(Setting(iso=1600, gain=0.5),))
    named = save_camera(mine, tmp_path / "mine.yaml")
    frame = FrameInfo(camera="Nachtauge N1", iso=1600)
    assert cameras_folder() == home
    assert complete([frame], find_cameras()).frames[0].gain == 0.25
    assert complete([frame], find_cameras([named])).frames[0].gain == 0.5


def test_dark_current_at_other_temperatures():
    assert SETTING.dark_rate(10.0) == pytest.approx(0.1)
    assert SETTING.dark_rate(16.0) == pytest.approx(0.2)
    assert SETTING.dark_rate(4.0) == pytest.approx(0.05)
    assert SETTING.dark_rate(None) == pytest.approx(0.1)  # only one is known
    bare = Setting(dark=SETTING.dark)
    assert bare.dark_rate(11.5) == pytest.approx(0.1)
    assert bare.dark_rate(16.0) is None
    assert Setting().dark_rate(10.0) is None
