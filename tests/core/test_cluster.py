"""One night on every scheduler: the same bytes, and clear words when workers do not fit or die."""

import json
import os
import re
import signal
import subprocess
import sys
import tempfile
import threading
import time
from concurrent.futures import CancelledError
from pathlib import Path

import faultsim
import pytest
from clusters import Cluster, environment, install, other_version, wait

from coldframe import connecting, distributing, handshake
from coldframe.cli.main import run_command_line
from coldframe.errors import ColdframeError, UsageError
from coldframe.execute import check_scheduler
from coldframe.handshake import Meeting, attend, meeting, unseen
from coldframe.installed import package_differences, packages, parts, plugin_differences, used
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


def test_worker_processes_that_dask_gives_up_are_replaced(bench, tmp_path, monkeypatch):
    """As on a busy machine, where a process that died is not back in time."""
    monkeypatch.setattr(connecting, "RESTART", 0.01)
    monkeypatch.setattr(distributing, "ARRIVAL", 120.0)
    true_run = distributing.Team.run

    def run(team, tasks, note):
        for worker in list(team._client.cluster.workers.values()):
            os.kill(worker.pid, signal.SIGKILL)
        wait(lambda: not team._client.nthreads(), "the end of the workers")
        true_run(team, tasks, note)

    monkeypatch.setattr(distributing.Team, "run", run)
    bench.execute(tmp_path / "out", "local")
    assert same(bench, tmp_path / "out")


def test_workers_that_do_not_fit_get_no_work_and_what_the_run_does_not_use_may_differ(
    bench, tmp_path
):
    mild, deadly = (install(tmp_path / name, name) for name in ("mild", "deadly"))
    old = other_version(tmp_path / "old", "numpy")
    text = faultsim.RECIPE.replace("use: calibrate", "use: mild").replace(
        ", masters: [dark, flat]", ""
    )
    (tmp_path / "mild.yaml").write_text(text)
    command = [
        sys.executable, "-m", "coldframe.cli", "run", bench.night, "--recipe",
        tmp_path / "mild.yaml", "--no-library", "--no-inspect", "-o",
    ]  # fmt: skip

    def run(name, scheduler):
        return subprocess.run(
            [*command, tmp_path / name, "--scheduler", scheduler],
            capture_output=True, text=True, check=False, env=environment(mild),
        )  # fmt: skip

    small = Cluster(tmp_path)
    try:
        good = small.add(nanny=False, env=environment(mild, deadly))
        small.add(nanny=False, env=environment(old))
        small.wait_for(2)
        done = run("out", small.address)
        assert done.returncode == 0, done.stderr
        assert list((tmp_path / "out").glob("*.fits"))
        lines = [line.strip() for line in done.stderr.splitlines()]
        first = next(i for i, line in enumerate(lines) if line.startswith("worker "))
        assert lines[first].startswith(f"worker {os.uname().nodename} (tcp://")
        assert re.fullmatch("numpy is 0.1 there and 2.* here", lines[first + 1])
        assert lines[first + 2] == "plugin 'mild' (mild 1.0) is not installed there"
        assert lines[first + 3] == "It gets no work."
        assert "deadly" not in done.stderr
        assert done.stderr.count("worker ") == 1
        small.stop(good)
        nobody = run("nothing", small.address)
    finally:
        small.close()
    assert nobody.returncode == 1
    assert "no worker can take part; nothing was started:\n  worker " in nobody.stderr
    assert "plugin 'mild' (mild 1.0) is not installed there" in nobody.stderr
    assert not faultsim._products(tmp_path / "nothing/store")


def test_a_worker_that_joins_later_and_differs_gets_no_work(bench, tmp_path, monkeypatch):
    small = Cluster(tmp_path)
    try:
        small.add(nanny=False)
        small.wait_for(1)
        true_run = distributing.Team.run

        def run(team, tasks, note):
            small.add(nanny=False, env=environment(other_version(tmp_path / "old", "numpy")))
            small.wait_for(2)
            true_run(team, tasks, note)

        monkeypatch.setattr(distributing.Team, "run", run)
        bench.said.clear()
        bench.execute(tmp_path / "out", small.address)
    finally:
        small.close()
    assert same(bench, tmp_path / "out")
    (told,) = bench.said
    assert "numpy is 0.1 there and" in told
    assert told.endswith("It joined later and gets no work.")


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


def test_a_scheduler_file_that_is_none_is_told(tmp_path):
    file = tmp_path / "s.json"
    with pytest.raises(
        UsageError, match=r"--scheduler .*/s\.json: no such file\. .*--scheduler-file"
    ):
        check_scheduler(str(file))
    with pytest.raises(UsageError, match=r"--scheduler nofile\.json: no such file"):
        check_scheduler("nofile.json")
    with pytest.raises(UsageError, match="is a folder: name the file in it"):
        check_scheduler(str(tmp_path))
    for text in ("{}", "no JSON", "[]"):
        file.write_text(text)
        with (
            pytest.raises(UsageError, match="no address stands in it"),
            connecting.connected(check_scheduler(str(file)), 1, 0),
        ):
            pass


def test_what_to_install_is_told(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(UsageError, match=r"pip install 'coldframe\[cluster\]'"):
        connecting.import_distributed("local")


def test_no_scheduler_there(monkeypatch):
    monkeypatch.setattr(connecting, "CONNECT", 0.5)
    with (
        pytest.raises(ColdframeError, match=r"no dask scheduler answers at tcp://127\.0\.0\.1:9"),
        connecting.connected("tcp://127.0.0.1:9", 1, 0),
    ):
        pass


@pytest.mark.parametrize("there", [True, False])
@pytest.mark.parametrize("error", [OSError("closed"), AttributeError("x"), CancelledError()])
def test_an_error_of_the_library_is_told_as_a_lost_scheduler_only_if_it_is_lost(
    monkeypatch, there, error
):
    """A call may fail before the client itself has noticed: its status is no witness."""

    class Client:
        status, cluster = "running", None

        def nthreads(self):
            if not there:
                raise OSError("connection refused")
            return {}

        def close(self, timeout):
            raise OSError("closed")

    monkeypatch.setattr(connecting, "_client", lambda *_: Client())
    # What a reconnected client cancels belongs to a scheduler that is gone.
    told = ColdframeError if not there or isinstance(error, CancelledError) else type(error)
    with pytest.raises(told) as caught, connecting.connected("tcp://a:1", 1, 0):
        raise error
    assert (caught.value is error) is (told is not ColdframeError)


def test_differences_of_packages_in_words():
    here = {"numpy": "2.1", "sep": "1.4"}
    assert package_differences(here, here) == []
    assert package_differences(here, {"numpy": "2.2"}) == [
        "numpy is 2.2 there and 2.1 here",
        "sep is missing there and 1.4 here",
    ]


def test_differences_of_plugins_are_one_line_each():
    def part(plugin, package, version):
        return {"plugin": plugin, "package": package, "version": version}

    here = {
        "step:warp": part("register", "coldframe 1.0", "3"),
        "step:stars": part("register", "coldframe 1.0", "1"),
        "reader:x": part("x", "x-files 1.0", "1"),
        "step:x": part("x", "x-files 1.0", "1"),
    }
    assert plugin_differences(here, here, {"y": "SyntaxError: y"}) == []
    there = {
        "step:warp": part("register", "coldframe 2.0", "4"),
        "step:stars": part("register", "coldframe 2.0", "2"),
        "reader:x": part("x", "x-files 0.9", "1"),
    }
    assert plugin_differences(here, there, {}) == [
        "plugin 'register': step warp is 4 there and 3 here, step stars is 2 there and 1 here",
        "plugin 'x': has no step x there, is of x-files 0.9 there and of x-files 1.0 here",
    ]
    assert plugin_differences(here, {}, {"register": "ImportError: sep"}) == [
        "plugin 'register' cannot be loaded there: ImportError: sep",
        "plugin 'x' (x-files 1.0) is not installed there",
    ]


def test_what_a_run_needs_of_a_worker_is_what_its_tasks_use(bench, tmp_path):
    prepared = faultsim.prepare(bench.request(tmp_path), bench.registry)
    specs = [spec for spec, _ in prepared.plan.tasks.values()]
    needed = used(specs)
    assert needed == {"reader:fits", "step:combine", "step:calibrate", "writer:fits"}
    assert set(parts(needed)) == needed
    assert parts({"step:register", "step:none"}).keys() == {"step:register"}
    found = packages()
    assert found["Python"] == f"{sys.version_info.major}.{sys.version_info.minor}"
    assert {"coldframe", "numpy", "numba"} <= set(found)


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
        assert result.returncode == 0, result.stderr
        assert (tmp_path / "more" / bench.name).read_bytes() == bench.final
        assert re.search(
            r"worker alder-3 \(.*\): does not see the store .*\n +It gets no work", result.stderr
        )
    finally:
        made.close()
