"""`coldframe camera` and `coldframe shotlist` as a user calls them, on files."""

import json

import numpy as np
import pytest
import yaml
from astropy.io import fits

from coldframe.camera.file import load_camera
from coldframe.cautions import ALL, FOR_FLATS, IN_TERMINAL
from coldframe.cli.main import run_command_line
from coldframe.demo.scenario import COLOUR_CAMERA, MONO_CAMERA
from coldframe.demo.sensor import expose, make_sensor
from coldframe.plugins import find_plugins
from coldframe.prepared import Request
from coldframe.session import prepare


@pytest.fixture(scope="module", autouse=True)
def home(tmp_path_factory):
    """A user's configuration of the test's own."""
    import platformdirs

    folder = tmp_path_factory.mktemp("config")
    patch = pytest.MonkeyPatch()
    patch.setattr(platformdirs, "user_config_path", lambda name: folder / name)
    yield folder / "coldframe" / "cameras"
    patch.undo()


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """FITS files of bias, darks and flats up to full, whose headers tell no gain."""
    folder = tmp_path_factory.mktemp("bench")
    rng = np.random.default_rng(6)
    shape = (160, 200)
    sensor = make_sensor(MONO_CAMERA, shape, rng)
    steps = [("BIAS", 0.001, -10, None)] * 8
    steps += [("DARK", 200.0, t, None) for t in (-10, 0) for _ in range(4)]
    for exposure in np.linspace(0.1, 1.6, 12):
        steps += [("FLAT", round(float(exposure), 3), -10, 40_000 * exposure)] * 2
    for i, (kind, exposure, temperature, light) in enumerate(steps):
        lit = None if light is None else np.full(shape, light, np.float32)
        hdu = fits.PrimaryHDU(expose(sensor, lit, exposure, temperature, 100, rng))
        hdu.header.extend(
            [
                ("IMAGETYP", kind), ("EXPTIME", exposure), ("INSTRUME", MONO_CAMERA.name),
                ("GAIN", 100), ("OFFSET", 50), ("CCD-TEMP", temperature),
                ("XBINNING", 1), ("YBINNING", 1),
            ]
        )  # fmt: skip
        hdu.writeto(folder / f"{i:03}.fits")
    return folder


@pytest.fixture(scope="module")
def nights(demo_night):
    return {kind: demo_night(kind).folder for kind in ("colour", "mono")}


@pytest.fixture(scope="module")
def measured(bench, tmp_path_factory):
    path = tmp_path_factory.mktemp("camera") / "m1.yaml"
    assert run_command_line(["camera", "measure", str(bench), "-o", str(path)]) == 0
    return path


def run(capsys, *args):
    code = run_command_line([str(a) for a in args])
    out, err = capsys.readouterr()
    return code, out, err


def test_measure_writes_a_file_and_a_report_of_the_truth(measured):
    setting = load_camera(measured).settings[0]
    assert setting.gain == pytest.approx(0.8, rel=0.01)
    assert setting.read_noise == pytest.approx(3.0, rel=0.02)
    assert setting.full_well == pytest.approx(50_000, rel=0.01)
    assert setting.doubling == pytest.approx(6.0, rel=0.05)
    report = measured.with_suffix(".html").read_text()
    assert "EMVA Standard 1288" in report
    assert report.count("<svg") == 1
    assert "gave the gain" in report


def test_measure_tells_json_and_what_is_missing(bench, tmp_path, capsys):
    few = tmp_path / "few"
    few.mkdir()
    for name in ("000.fits", "001.fits"):
        (few / name).write_bytes((bench / name).read_bytes())
    (few / "002.fits").write_bytes((bench / "002.fits").read_bytes()[:4000])
    code, out, _ = run(capsys, "camera", "measure", few, "-o", tmp_path / "c.yaml", "--json")
    facts = json.loads(out)
    assert code == 0
    assert facts["camera"] == MONO_CAMERA.name
    (needs,) = facts["needs"].values()
    assert {n["result"] for n in needs if not n["there"]} >= {"gain", "dark current", "PRNU"}
    assert facts["set_aside"][0]["frame"] == "002.fits"
    assert facts["cautions"] == [str(caution) for caution in FOR_FLATS]
    assert yaml.safe_load((tmp_path / "c.yaml").read_text())["frames"] == 2


def test_installed_file_is_listed_and_heard(bench, nights, home, tmp_path, capsys):
    code, _, _ = run(
        capsys, "camera", "measure", bench, "-o", tmp_path / "c.yaml", "--install", "--json"
    )
    assert code == 0
    try:
        assert [p.suffix for p in home.iterdir()] == [".yaml"]
        code, out, _ = run(capsys, "camera", "list", "--json")
        assert (code, json.loads(out)[0]["camera"]) == (0, MONO_CAMERA.name)
        request = Request((nights["mono"],), tmp_path / "out", tmp_path / "store")
        prepared = prepare(request, find_plugins())
        # The demo's headers tell the gain; read noise and white level are the camera file's.
        assert {f.gain for f in prepared.scan.frames} == {0.8}
        assert all(f.read_noise == pytest.approx(3.0, rel=0.02) for f in prepared.scan.frames)
        assert "m1-cooled.yaml told" in prepared.cameras[0]
    finally:
        for path in home.iterdir():
            path.unlink()


def test_a_named_camera_file_reaches_the_plan_and_changes_its_products(nights, tmp_path, capsys):
    path = tmp_path / "n1.yaml"
    path.write_text(
        "camera-file: 1\ncamera: Nachtauge N1\nsettings:\n"
        "- {iso: 1600, gain: 0.2375, read_noise: 2.4}\n"
    )
    night = nights["colour"]
    code, out, err = run(capsys, "plan", night, "-o", tmp_path / "o", "--camera", path, "--json")
    assert code == 0, err
    assert "n1.yaml told gain" in json.loads(out)["camera_files"][0]
    plans = [
        prepare(
            Request((night,), tmp_path / "o", tmp_path / "s", cameras=cameras), find_plugins()
        ).plan
        for cameras in ((), (path,))
    ]
    assert set(plans[0].targets) != set(plans[1].targets)


def test_advice_for_a_night_and_for_one_light(nights, measured, capsys):
    night = nights["mono"]
    code, out, _ = run(capsys, "camera", "advise", night, "--camera", measured, "--json")
    facts = json.loads(out)
    assert code == 0
    assert len(facts) == 4  # filters
    assert facts[0]["cautions"] == [str(caution) for caution in FOR_FLATS]
    light = facts[0]
    # The demo's L sky: 3.2 e-/s times a rise of up to 15%, nebula and shading within 15% of it.
    assert light["colours"][0]["background"]["value"] == pytest.approx(3.4, rel=0.2)
    truth = (9 + 0.8**2 / 12) / (light["colours"][0]["background"]["value"] * 0.1025)
    assert light["advised_exposure"] == pytest.approx(truth, rel=0.03)
    one = sorted(night.glob("*.fits"))[0]
    code, out, _ = run(capsys, "camera", "advise", one, "--camera", measured)
    assert code == 0
    assert "Expose" in out
    assert "from a single light" in out
    for caution in (*FOR_FLATS, IN_TERMINAL):
        assert out.count(f"safety: {caution}") == 1


def test_shot_list_of_a_night(nights, tmp_path, capsys):
    code, out, _ = run(
        capsys, "shotlist", nights["colour"], "--forecast", "21:00=15,03:00=5",
        "-o", tmp_path / "s.html", "--csv", tmp_path / "s.csv", "--json",
    )  # fmt: skip
    facts = json.loads(out)
    assert code == 0
    kinds = [i["kind"] for i in facts["items"]]
    assert sorted(kinds) == ["bias", "dark", "flat"]
    assert facts["items"][0]["kind"] == "dark"  # by the clock
    assert facts["items"][0]["have"] == 4
    assert facts["cautions"] == [str(caution) for caution in ALL]
    assert (tmp_path / "s.html").exists()
    assert (tmp_path / "s.csv").exists()
    code, out, _ = run(capsys, "shotlist", nights["colour"])
    assert code == 0
    for caution in ALL:
        assert f"safety: {caution}" in out


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["camera", "measure", "nowhere"], "nowhere"),
        (["camera", "measure", ".", "--kind", "flats=*"], "KIND=GLOB"),
        (["camera", "advise", "nowhere"], "no such file or folder"),
        (["shotlist"], "name a night"),
        (["shotlist", "--for", "camera=N1,exposure=60", "--forecast", "soon"], "forecast"),
        (["shotlist", "--for", "camera=N1,exposure=60", "--camera", "none.yaml"], "none.yaml"),
    ],
)
def test_wrong_use_is_one_line_and_code_2(args, said, capsys):
    code, _, err = run(capsys, *args)
    assert code == 2
    assert said in err
    assert "Traceback" not in err


def test_advice_without_a_camera_file_says_what_to_do(nights, capsys):
    code, _, err = run(capsys, "camera", "advise", nights["colour"])
    assert code == 2
    assert "coldframe camera measure" in err
    assert len(err.strip().splitlines()) == 1


def test_the_demos_own_frames_lead_from_measuring_to_advice(nights, tmp_path, capsys):
    """Flats at ISO 100, lights at ISO 1600: the truth is that of the invented camera."""
    file = tmp_path / "n1.yaml"
    assert run(capsys, "camera", "measure", nights["colour"], "-o", file)[0] == 0
    code, out, _ = run(capsys, "camera", "advise", nights["colour"], "--camera", file, "--json")
    assert code == 0
    (advice,) = json.loads(out)
    gain, read = COLOUR_CAMERA.settings[1600]
    assert abs(advice["gain"]["value"] - gain) < 2 * advice["gain"]["error"]
    assert advice["gain"]["error"] / advice["gain"]["value"] == pytest.approx(0.1, abs=0.01)
    assert abs(advice["read_noise"]["value"] - read) < 2 * advice["read_noise"]["error"]
    assert "that of ISO 100 in n1.yaml" in advice["notes"][0]
