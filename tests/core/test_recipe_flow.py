"""Steps that do not fit, and parameters that cannot be, are faults of the recipe with a remedy."""

import pytest
import toy

from coldframe.cli.main import run_command_line
from coldframe.errors import RecipeError
from coldframe.hooks import hookimpl
from coldframe.plugins import find_plugins
from coldframe.recipe import load_recipe
from coldframe.step import Flow

HEAD = """\
recipe: 1
name: odd
about: Steps in an order that means nothing
for: {cfa: true}
inputs: {lights: {kind: light}, darks: {kind: dark}, flats: {kind: flat}}
steps:
"""
TAIL = "outputs: {last: {fits: true}}\n"


@pytest.fixture(scope="module")
def registry():
    return find_plugins()


def faults(tmp_path, steps, registry, head=HEAD, overrides=()):
    path = tmp_path / "odd.yaml"
    path.write_text(head + "".join(f"  {line}\n" for line in steps) + TAIL)
    with pytest.raises(RecipeError) as caught:
        load_recipe(path, registry, overrides)
    return [str(p).removeprefix(f"{tmp_path}/") for p in caught.value.problems]


STACK = "stack: {use: integrate, from: aligned}"
ALIGNED = "aligned: {use: register, from: lights}"
MISFITS = [
    (
        ["clean: {use: calibrate, from: lights}", "last: {use: integrate, from: clean}"],
        "odd.yaml:8:32: the frames of 'clean' are not registered, but 'last' (integrate) needs them "
        "on one pixel grid; put a step that registers between (register), or use one that takes "
        "frames as they lie (combine)",
    ),
    (
        [ALIGNED, STACK, "last: {use: calibrate, from: stack}"],
        "odd.yaml:9:32: the frames of 'stack' are registered by 'aligned', but 'last' (calibrate) "
        "needs the sensor's own pixels; put 'last' before 'aligned'",
    ),
    (
        ["dark: {use: combine, from: darks}", "last: {use: calibrate, from: dark}"],
        "odd.yaml:8:32: 'dark' gives a stack, made by 'dark', but 'last' (calibrate) works on "
        "single frames; put 'last' before 'dark'",
    ),
    (
        ["colour: {use: demosaic, from: lights}", "last: {use: calibrate, from: colour}"],
        "odd.yaml:8:32: 'colour' gives colour frames, but 'last' (calibrate) takes mosaic or mono; "
        "put 'last' before 'colour', which makes colour",
    ),
    (
        ["plain: {use: combine, from: lights}", "last: {use: background-fit, from: plain}"],
        "odd.yaml:8:37: 'plain' gives mosaic frames, but 'last' (background-fit) takes mono or "
        "colour; put a step that makes colour between (demosaic, register)",
    ),
    (
        [
            "dark: {use: combine, from: darks}",
            "clean: {use: calibrate, from: lights, masters: dark}",
            "last: {use: calibrate, from: clean, masters: [dark]}",
        ],
        "odd.yaml:9:48: a dark is taken off these frames twice: by 'clean' and with 'dark' here; "
        "leave 'dark' out of one of the two",
    ),
    (
        [
            "straight: {use: register, from: flats}",
            "flat: {use: combine, from: straight}",
            "last: {use: calibrate, from: lights, masters: flat}",
        ],
        "odd.yaml:9:49: 'flat' is made of frames that 'straight' moved off the sensor's pixels; a "
        "master keeps them: make it without 'straight'",
    ),
    (
        [ALIGNED, "both: {use: combine, from: [aligned, lights]}", "last: {use: integrate, from: both}"],
        "odd.yaml:9:32: the frames of 'both' are not registered",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("steps", "said"), MISFITS)
def test_steps_that_do_not_fit_are_told_with_a_remedy(steps, said, tmp_path, registry):
    (fault,) = faults(tmp_path, steps, registry)
    assert fault.startswith(said)


@pytest.mark.parametrize(
    ("params", "said"),
    [
        ("weights: expression, expression: fwhm / nois", "no column 'nois' (did you mean 'noise'?)"),
        ("weights: expression, expression: 1 +", "cannot be read"),
        ("weights: expression", "needs an 'expression'"),
        ("expression: fwhm", "is used with 'weights: expression' only"),
    ],
)  # fmt: skip
def test_wrong_weights_are_told_before_any_pixel_is_read(params, said, tmp_path, registry):
    steps = [ALIGNED, f"last: {{use: integrate, from: aligned, with: {{{params}}}}}"]
    (fault,) = faults(tmp_path, steps, registry)
    assert said in fault
    assert fault.startswith("odd.yaml:8:")


def test_weights_know_what_was_measured_on_the_way(tmp_path, registry):
    """Sound: `peak` is measured by a step under 'measures:', `matched` by registering."""
    expression = "weights: expression, expression: stars / matched / noise"
    steps = [
        "seen: {use: measure-stars, from: lights}",
        ALIGNED,
        f"last: {{use: integrate, from: aligned, measures: seen, with: {{{expression}}}}}",
    ]
    path = tmp_path / "good.yaml"
    path.write_text(HEAD + "".join(f"  {line}\n" for line in steps) + TAIL)
    assert load_recipe(path, registry).steps["last"].params["weights"] == "expression"


def test_an_override_is_checked_too(tmp_path, registry):
    steps = [ALIGNED, "last: {use: integrate, from: aligned, with: {weights: expression}}"]
    (fault,) = faults(tmp_path, steps, registry, overrides=["last.expression=1/0x"])
    assert fault.startswith("--with last.expression=1/0x: 'steps.last.with.expression': weight")


def test_regions_without_a_pixel_are_told(tmp_path, registry):
    steps = ["last: {use: calibrate, from: lights, with: {trim: [10, 10, 0, 5]}}"]
    (fault,) = faults(tmp_path, steps, registry)
    assert "odd.yaml:7:53: 'steps.last.with.trim': [10, 10, 0, 5] has no pixels" in fault


class Drift(toy.Add):
    name = "undo-drift"
    flow = Flow(registers=True)


class Deep(toy.Mean):
    name = "deep"
    flow = Flow(pixels=("colour", "mono"), registered=True)


class Grey(toy.Centre):
    name = "grey"
    flow = Flow(stacked=True)

    def check_params(self, params, columns):
        raise ValueError("no idea")


class Sites(toy.Centre):
    name = "sites"
    flow = Flow(pixels=("mosaic",))


class Strangers:
    @hookimpl
    def coldframe_steps(self):
        return [Drift, Deep, Grey, Sites]


def test_the_steps_of_plugins_take_part(tmp_path):
    registry = toy.registry(strangers=Strangers())
    head = HEAD.replace("{cfa: true}", "{cfa: false}")
    tail = "outputs: {last: {text: true}}\n"
    steps = ["  even: {use: undo-drift, from: lights}", "  last: {use: deep, from: even}"]
    path = tmp_path / "plugin.yaml"
    path.write_text(head + "\n".join(steps) + "\n" + tail)
    assert set(load_recipe(path, registry).steps) == {"even", "last"}
    path.write_text(head + "\n".join(steps).replace("undo-drift", "centre") + "\n" + tail)
    with pytest.raises(RecipeError, match=r"registers between \(undo-drift\).*\(mean\)"):
        load_recipe(path, registry)
    path.write_text(head + "  last: {use: grey, from: lights}\n" + tail)
    with pytest.raises(RecipeError) as caught:
        load_recipe(path, registry)
    failed, single = (problem.message for problem in caught.value.problems)
    assert failed == "'last' (grey): checking its parameters failed: ValueError: no idea"
    assert single.endswith("works on a stack; put a step that stacks between (deep, mean)")
    path.write_text(head + "  last: {use: sites, from: lights}\n" + tail)
    with pytest.raises(RecipeError, match="leave it out, or change 'for: cfa'"):
        load_recipe(path, registry)


@pytest.mark.parametrize("command", ["check", "plan", "run"])
def test_every_command_tells_before_it_reads_a_frame(command, tmp_path, capsys):
    night = tmp_path / "night"
    night.mkdir()
    (night / "light.fits").write_text("no frame at all, and never opened")
    steps, said = MISFITS[0]
    path = tmp_path / "odd.yaml"
    path.write_text(HEAD + "".join(f"  {line}\n" for line in steps) + TAIL)
    args = {
        "check": ["recipe", "check", path],
        "plan": ["plan", night, "--recipe", path],
        "run": ["run", night, "--recipe", path, "-o", tmp_path / "out"],
    }[command]
    assert run_command_line([str(arg) for arg in args]) == 2
    assert f"{tmp_path}/{said}" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
