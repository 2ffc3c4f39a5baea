"""One night on every scheduler: the same bytes, and clear words when workers do not fit or die."""

import json
import os
import re
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import faultsim
import pytest
from clusters import Cluster, environment, install, wait

from coldframe import distributing, handshake
from coldframe.cli.main import run_command_line
from coldframe.errors import ColdframeError, UsageError
from coldframe.execute import check_scheduler
from coldframe.handshake import Meeting, attend, differences, identity, meeting, unseen
from coldframe.specs import describe

pytest.importorskip("distributed")


@pytest.fixture(scope="module")
def bench():
    with tempfile.TemporaryDirectory(prefix="coldframe-cluster-") as folder:
        yield faultsim.Bench(Path(folder))


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    made = Cluster(tmp_path_factory.mktemp("cluster"))
    for _ in range(3):
        made.add()
    made.wait_for(3)
    yield made
    made.close()


def same(bench, out):
    found = faultsim._products(out / "store")
    assert found == bench.products
    return (out / bench.name).read_bytes() == bench.final


@pytest.mark.parametrize("scheduler", ["threads", "processes", "local"])
def test_schedulers_of_this_machine_make_the_same_bytes(bench, tmp_path, scheduler, monkeypatch):
    monkeypatch.setattr(distributing, "_draws", lambda: True)  # whether bokeh is there or not
    bench.said.clear()
    bench.execute(tmp_path, scheduler)
    assert same(bench, tmp_path)
    if scheduler == "local":
        assert re.fullmatch(r"dashboard: http://127\.0\.0\.1:\d+/status", bench.said[0])


def test_a_running_scheduler_makes_the_same_bytes(bench, cluster, tmp_path):
    for name, scheduler in (("a", cluster.address), ("f", str(cluster.file))):
        bench.execute(tmp_path / name, scheduler)
        assert same(bench, tmp_path / name)
        assert not list((tmp_path / name).glob(".meeting*"))
        assert not list((tmp_path / name / "store").glob(".meeting*"))


def test_the_command_line_on_a_cluster(bench, cluster, tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)  # the workers are in another folder
    args = [str(bench.night), "-o", "out", "--no-library", "--no-inspect", "--json"]
    args += ["--recipe", str(bench.night / "small.yaml"), "--scheduler", cluster.address]
    assert run_command_line(["plan", *args]) == 0
    assert json.loads(capsys.readouterr().out)["tasks"]["to_do"] > 20
    assert run_command_line(["run", *args]) == 0
    assert (tmp_path / "out" / bench.name).read_bytes() == bench.final
    manifest = json.loads((tmp_path / "out/coldframe-run.json").read_text())
    assert manifest["scheduler"] == cluster.address
    assert manifest["workers"] == 3  # the cluster's, since nobody said otherwise


def test_a_worker_killed_in_the_middle_costs_nothing_but_time(bench, cluster, tmp_path):
    extra = cluster.add(nanny=False)
    cluster.wait_for(4)

    def kill():
        wait(lambda: len(list((tmp_path / "store").glob("??/*.json"))) > 4, "products")
        cluster.stop(extra)

    killer = threading.Thread(target=kill)
    killer.start()
    bench.execute(tmp_path, cluster.address)
    killer.join()
    assert same(bench, tmp_path)


def test_a_task_that_kills_its_workers_is_named(bench, tmp_path, monkeypatch):
    """On processes and on a cluster: the step and the frame, and nothing of the rest is lost."""
    plugins = install(tmp_path / "plugins", "deadly")
    text = faultsim.RECIPE.replace("use: calibrate", "use: deadly").replace(
        ", masters: [dark, flat]", ""
    )
    (tmp_path / "deadly.yaml").write_text(text)
    for scheduler, said in (("processes", "with exit code 7"), ("local", "workers died")):
        result = subprocess.run(
            [
                sys.executable, "-m", "coldframe.cli", "run", bench.night, "-o", tmp_path / scheduler,
                "--recipe", tmp_path / "deadly.yaml", "--no-library", "--no-inspect", "--workers", "2",
                "--scheduler", scheduler,
            ],
            capture_output=True, text=True, check=False, env=environment(plugins),
        )  # fmt: skip
        assert result.returncode == 1, result.stderr
        assert re.search(r"step 'clean' \(light-\d.fits\): \d .*died", result.stderr)
        assert said in result.stderr
        assert "Traceback" not in result.stderr


def test_workers_that_differ_are_named_before_work_starts(bench, tmp_path):
    small = Cluster(tmp_path)
    try:
        small.add(nanny=False)
        small.add(nanny=False, env=environment(install(tmp_path / "plugins", "deadly")))
        small.wait_for(2)
        with pytest.raises(ColdframeError) as caught:
            bench.execute(tmp_path / "out", small.address)
    finally:
        small.close()
    text = str(caught.value)
    assert text.startswith("1 of 2 workers cannot take part; nothing was started:")
    assert "plugin deadly is only there; step deadly is only there" in text
    assert os.uname().nodename in text
    assert not faultsim._products(tmp_path / "out/store")


def test_a_worker_that_joins_later_and_differs_gets_no_work(bench, tmp_path, monkeypatch):
    small = Cluster(tmp_path)
    try:
        small.add(nanny=False)
        small.wait_for(1)
        true_run = distributing.Team.run

        def run(team, tasks, note):
            small.add(nanny=False, env=environment(install(tmp_path / "plugins", "deadly")))
            small.wait_for(2)
            true_run(team, tasks, note)

        monkeypatch.setattr(distributing.Team, "run", run)
        bench.said.clear()
        bench.execute(tmp_path / "out", small.address)
    finally:
        small.close()
    assert same(bench, tmp_path / "out")
    (line,) = bench.said
    assert "plugin deadly is only there" in line
    assert line.endswith("it joined later and gets no work")


def test_a_scheduler_that_dies_is_told_and_the_next_run_goes_on(bench, tmp_path):
    small = Cluster(tmp_path)
    small.add(nanny=False)
    small.wait_for(1)

    def kill():
        wait(lambda: len(list((tmp_path / "out/store").glob("??/*.json"))) > 4, "products")
        small.stop(small.scheduler)

    killer = threading.Thread(target=kill)
    killer.start()
    started = time.monotonic()
    with pytest.raises(ColdframeError, match="lost the dask scheduler at tcp://"):
        bench.execute(tmp_path / "out", small.address)
    killer.join()
    assert time.monotonic() - started < 120  # hangs are what is looked for, not slowness
    small.close()
    assert 0 < len(faultsim._products(tmp_path / "out/store")) < len(bench.products) + 6
    bench.execute(tmp_path / "out")
    assert same(bench, tmp_path / "out")


# -- without a cluster -----------------------------------------------------------------------------


def test_names_of_schedulers(tmp_path):
    file = tmp_path / "s.json"
    file.write_text("{}")
    for name in ("sync", "threads", "processes", "local", "tcp://a:1", "tls://a:1", str(file)):
        assert check_scheduler(name) == name
    with pytest.raises(UsageError, match="unknown scheduler 'thread'; there are: threads, proc"):
        check_scheduler("thread")


def test_what_to_install_is_told(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(UsageError, match=r"pip install 'coldframe\[cluster\]'"):
        distributing.import_distributed("local")


def test_no_scheduler_there(monkeypatch):
    monkeypatch.setattr(distributing, "CONNECT", 0.5)
    with (
        pytest.raises(ColdframeError, match=r"no dask scheduler answers at tcp://127\.0\.0\.1:9"),
        distributing.connected("tcp://127.0.0.1:9", 1, 0),
    ):
        pass


def test_differences_in_words():
    here = {"numpy": "2.1", "step warp": "3", "plugin x": "x 1.0"}
    there = {"numpy": "2.2", "step warp": "3", "plugin y": "y 1.0"}
    assert differences(here, here) == []
    assert differences(here, there) == [
        "numpy is 2.2 there and 2.1 here",
        "plugin x is missing there",
        "plugin y is only there",
    ]


def test_identity_holds_what_can_change_a_byte():
    found = identity()
    assert found["Python"] == f"{sys.version_info.major}.{sys.version_info.minor}"
    for name in ("coldframe", "numpy", "numba", "plugin combine", "step combine", "reader fits"):
        assert found[name]


def test_a_worker_that_sees_other_folders(bench, tmp_path, monkeypatch):
    monkeypatch.setattr(handshake, "PATIENCE", 0.0)
    store = tmp_path / "store"
    store.mkdir()
    assert "does not see the store" in attend(Meeting(str(store), "x")).problems[0]
    prepared = faultsim.prepare(bench.request(tmp_path / "out"), bench.registry)
    specs = [spec for spec, _ in prepared.plan.tasks.values()]
    with meeting(store, specs) as place:
        good = attend(place)
        assert good.problems == ()
        assert unseen(good) == []
        for trace in good.traces:
            Path(trace).unlink()
        assert "another folder of that name" in unseen(good)[0]
        moved = bench.night.rename(bench.night.with_name("moved"))
        try:
            (problem,) = attend(place).problems
        finally:
            moved.rename(bench.night)
        assert problem.startswith(f"cannot read {bench.night}")
    assert not list(store.iterdir())


def test_tasks_in_words(bench, tmp_path):
    prepared = faultsim.prepare(bench.request(tmp_path), bench.registry)
    words = {describe(spec) for spec, _ in prepared.plan.tasks.values()}
    assert {"step 'clean' (light-0.fits)", "step 'stack' (band 1 of 2)"} <= words


# -- hosts of their own ----------------------------------------------------------------------------


class Hosts:
    """Network namespaces joined to one of them by pairs of virtual cables, as three machines."""

    def __init__(self, count):
        self.names = [f"cf{os.getpid()}-{i}" for i in range(count)]
        for name in self.names:
            ip("netns", "add", name)
            ip("-n", name, "link", "set", "lo", "up")
        for i, name in enumerate(self.names[1:], 1):
            ip("link", "add", f"cf{i}a", "netns", self.names[0], "type", "veth",
               "peer", "name", f"cf{i}b", "netns", name)  # fmt: skip
            for end, where, last in (("a", self.names[0], 1), ("b", name, 2)):
                ip("-n", where, "addr", "add", f"10.211.{i}.{last}/24", "dev", f"cf{i}{end}")
                ip("-n", where, "link", "set", f"cf{i}{end}", "up")
            ip("-n", name, "route", "add", "default", "via", f"10.211.{i}.1")

    def inside(self, i, setup="true"):
        """Words before a command that runs on that host, after some setup of its own."""
        script = f'hostname alder-{i} && {setup} && exec "$0" "$@"'
        return [
            "ip",
            "netns",
            "exec",
            self.names[i],
            "unshare",
            "--uts",
            "--mount",
            "sh",
            "-c",
            script,
        ]

    def close(self):
        for name in self.names:
            subprocess.run(["ip", "netns", "del", name], check=False, capture_output=True)


def ip(*words):
    subprocess.run(["ip", *words], check=True, capture_output=True)


@pytest.fixture
def hosts():
    try:
        made = Hosts(4)
    except (OSError, subprocess.CalledProcessError) as error:
        pytest.skip(f"network namespaces need root and the 'ip' command: {error}")
    yield made
    made.close()


def test_separate_hosts(bench, hosts, tmp_path):
    """Two workers on hosts of their own make the same bytes; a third does not see the store."""
    made = Cluster(tmp_path, hosts.inside(0), "0.0.0.0")
    port = made.address.rpartition(":")[2]
    command = [
        *hosts.inside(0), sys.executable, "-m", "coldframe.cli", "run", bench.night,
        "--recipe", bench.night / "small.yaml", "--no-library", "--no-inspect",
        "--scheduler", f"tcp://127.0.0.1:{port}", "-o",
    ]  # fmt: skip
    try:
        for i in (1, 2):
            made.address = f"tcp://10.211.{i}.1:{port}"
            made.add(inside=hosts.inside(i), host=f"10.211.{i}.2", nanny=False)
        made.address = f"tcp://127.0.0.1:{port}"
        made.wait_for(2, hosts.inside(0))
        subprocess.run([*command, tmp_path / "out"], check=True, capture_output=True)
        assert (tmp_path / "out" / bench.name).read_bytes() == bench.final
        made.address = f"tcp://10.211.3.1:{port}"
        hidden = f"mount -t tmpfs none {tmp_path}"
        made.add(inside=hosts.inside(3, hidden), host="10.211.3.2", nanny=False)
        made.address = f"tcp://127.0.0.1:{port}"
        made.wait_for(3, hosts.inside(0))
        result = subprocess.run(
            [*command, tmp_path / "more"], check=False, capture_output=True, text=True
        )
        assert result.returncode == 1
        assert "1 of 3 workers cannot take part" in result.stderr
        assert re.search(r"worker alder-3 \(.*\): does not see the store", result.stderr)
    finally:
        made.close()
