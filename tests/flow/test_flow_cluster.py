"""The same work on a real cluster of this machine: same outputs, whoever dies; and what is wrong is said in time."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from vibe.flow.capture_folder import Search
from vibe.flow.settings import load_settings

pytest.importorskip("distributed", reason="the optional package distributed is not installed: vibe[cluster]")

from tests.flow import cluster_jobs as jobs
from tests.flow.clusters import LocalCluster, local_cluster
from tests.flow.run_folders import contents
from tests.plant import drive_text
from vibe.core.errors import CallError
from vibe.flow.history.bulk_import import Delivery, keep_files
from vibe.flow.jobs import cluster as far
from vibe.flow.jobs.executor import JobExecutor, WorkerDied, each
from vibe.flow.run import resume, run
from vibe.flow.samples import simulation
from vibe.history.store.maintenance import verify
from vibe.history.store.store import Store
from vibe.storage.files import JOURNAL

pytestmark = pytest.mark.skipif(os.name == "nt", reason="workers are killed by a signal")

RECIPE = """\
kind = "route"
title = "A round"
drives = ["drives"]
captures = "captures"
pdf = false
"""
NINE = datetime(2026, 3, 9, 9, 0, tzinfo=UTC)
TAGS = [f"D-{number}" for number in range(5)]


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Five drives with a capture each, and what one process makes of them in ``whole``."""
    folder = tmp_path_factory.mktemp("plant")
    (folder / "drives").mkdir()
    for number, tag in enumerate(TAGS):
        drive = folder / "drives" / f"{tag}.toml"
        drive.write_text(drive_text(tag, power_kw=2.2), encoding="utf-8")
        simulation.simulate_file(
            drive, [], number, folder / "captures" / f"{tag}.h5", False,
            duration_s=1.0, sample_rate_hz=5120.0, points=("housing",), measured_at=NINE,
        )  # fmt: skip
    (folder / "route.toml").write_text(RECIPE, encoding="utf-8")
    run.run_recipe(folder / "route.toml", out=folder / "whole", workers=1)
    return folder


@pytest.fixture(scope="module")
def two(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LocalCluster]:
    """A cluster whose two workers nobody kills."""
    with local_cluster(tmp_path_factory.mktemp("cluster")) as one:
        yield one


def assert_whole(out: Path, plant: Path) -> None:
    """As one process makes it, each report whole and by one and the same run."""
    assert contents(out) == contents(plant / "whole")
    stamps = [json.loads((out / tag / resume.STAMP).read_text(encoding="utf-8")) for tag in TAGS]
    assert len({stamp["run"] for stamp in stamps}) == 1
    for tag, stamp in zip(TAGS, stamps, strict=True):
        assert stamp["pages"] == {name: resume.file_hash(out / tag / name) for name in stamp["pages"]}  # type: ignore[attr-defined]


def test_results_are_in_the_order_of_the_jobs_and_all_have_what_they_share(two: LocalCluster) -> None:
    assert each(jobs.plus, range(20), workers=1, cluster=two.address, common=5) == list(range(5, 25))
    assert each(jobs.how_many_at_once, range(12), workers=1, cluster=two.address) == [1] * 12


def test_a_run_on_a_cluster_equals_one_without_though_a_worker_is_killed(
    two: LocalCluster, plant: Path, tmp_path: Path
) -> None:
    third, killed = two.add_worker(), list[int]()
    two.wait_for(3)

    def kill_one(done: int, total: int, what: str) -> None:
        if done >= 2 and not killed:
            third.kill()
            killed.append(done)

    run.run_recipe(plant / "route.toml", out=tmp_path / "out", cluster=two.address, progress=kill_one)
    assert killed
    assert killed[0] < len(TAGS)
    assert_whole(tmp_path / "out", plant)


@pytest.mark.slow
def test_a_worker_that_comes_while_it_runs_takes_its_share(two: LocalCluster) -> None:
    """It needs some seconds until it is there; till then the other two work."""
    third = two.add_worker()
    try:
        did = each(jobs.who_waited, [0.1] * 400, workers=1, cluster=two.address)
    finally:
        third.kill()
    assert len(set(did)) == 3
    assert did.index(third.pid) > 4
    assert did.count(third.pid) > 20


def certificate(folder: Path, name: str) -> dict[str, str]:
    """One that vouches for itself, on this machine, and what names it to Dask for each of its processes."""
    from datetime import timedelta
    from ipaddress import ip_address

    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    key, now = ec.generate_private_key(ec.SECP256R1()), datetime.now(UTC)
    who = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, name)])
    built = x509.CertificateBuilder(who, who, key.public_key(), x509.random_serial_number())
    built = built.not_valid_before(now - timedelta(hours=1)).not_valid_after(now + timedelta(hours=1))
    here = x509.SubjectAlternativeName([x509.IPAddress(ip_address("127.0.0.1"))])
    signed = built.add_extension(here, critical=False).sign(key, hashes.SHA256())
    pem = serialization.Encoding.PEM
    (folder / f"{name}.pem").write_bytes(signed.public_bytes(pem))
    (folder / f"{name}.key").write_bytes(
        key.private_bytes(pem, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    )
    tls = "DASK_DISTRIBUTED__COMM__TLS__"
    named = {f"{tls}CA_FILE": str(folder / f"{name}.pem")}
    for role in ("SCHEDULER", "WORKER", "CLIENT"):
        named |= {f"{tls}{role}__CERT": str(folder / f"{name}.pem"), f"{tls}{role}__KEY": str(folder / f"{name}.key")}
    return named


def test_who_has_no_certificate_is_refused_before_anybody_is_asked() -> None:
    with pytest.raises(CallError, match=r"^--cluster tls://127\.0\.0\.1:1: no certificate of this machine can be used"):
        far.Cluster("tls://127.0.0.1:1", None)


@pytest.mark.slow
def test_a_cluster_that_knows_its_own_by_certificates(plant: Path, tmp_path: Path) -> None:
    """Whoever has another certificate, or none, is turned away in a sentence, and at once."""
    from tests.flow.clusters import environment_of_tests

    own, other = certificate(tmp_path, "own"), certificate(tmp_path, "other")
    files = [str(file) for file in sorted((plant / "captures").iterdir())]

    def added(environment: dict[str, str], store: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "vibe", "history", "add", *files, "--store", str(tmp_path / store),
             "--drives", str(plant / "drives" / "*.toml"), "--cluster", one.address],
            env=environment_of_tests() | environment, capture_output=True, text=True, cwd=tmp_path, timeout=100,
        )  # fmt: skip

    with local_cluster(tmp_path, workers=1, tls=own) as one:
        assert one.address.startswith("tls://")
        done = added(own, "store")
        assert done.returncode == 0, done.stderr
        assert done.stdout.split() == ["drive", "added", *(word for tag in TAGS for word in (tag, "1"))]
        for environment, said in (
            (other, "do both sides know each other's certificates?"),
            ({}, "no certificate of this machine"),
        ):
            done = added(environment, "none")
            assert done.returncode == 2
            assert said in done.stderr
            assert len(done.stderr.strip().splitlines()) == 1, done.stderr


def test_captures_are_judged_on_a_cluster_and_kept_here(two: LocalCluster, plant: Path, tmp_path: Path) -> None:
    files = sorted((plant / "captures").iterdir())
    delivery = Delivery.of(plant / "captures", drives=[str(plant / "drives")])
    stated = []
    for place, cluster in (("near", None), ("far", two.address)):
        with Store.open(tmp_path / place, create=True) as store:
            outcome = keep_files(files, delivery, store, workers=1, cluster=cluster)
            assert (outcome.added, outcome.there, outcome.refused) == (len(TAGS), 0, ())
            assert keep_files(files, delivery, store, cluster=cluster).there == len(TAGS)
            assert not verify(store).wrong
            stated.append([
                store.rows("SELECT content, drive, state, speed_hz FROM capture ORDER BY content"),
                store.rows("SELECT drive, point, measure, subject, value FROM value JOIN series ON series.id = series "
                           "ORDER BY 1, 2, 3, 4"),
            ])  # fmt: skip
    assert stated[0] == stated[1]


def test_workers_that_cannot_do_the_work_are_reported(two: LocalCluster, tmp_path: Path) -> None:
    with pytest.raises(CallError, match=r"does not see .*nowhere.*same files under the same path"):
        JobExecutor(1, cluster=two.address, sees=[tmp_path, tmp_path / "nowhere"])
    with JobExecutor(1, cluster=two.address, sees=[tmp_path], writes=[tmp_path]) as executor:
        assert executor.is_many
        pool = executor._pool
    assert isinstance(pool, far.Cluster)
    assert not list(tmp_path.iterdir())
    here = far._about([])
    for stated, match in (
        ({**here, "vibe": "9.9"}, "has vibe 9.9 .* install the same there"),
        ({**here, "python": "2.7"}, "on python 2.7"),
        (ModuleNotFoundError("No module named 'vibe'"), "cannot load vibe"),
        (OSError("gone"), "does not answer"),
    ):
        with pytest.raises(CallError, match=match):
            pool._check("tcp://there", stated)


def test_a_job_that_kills_every_worker_is_lost_alone(tmp_path: Path) -> None:
    with local_cluster(tmp_path, workers=3, deaths_borne=0) as cluster:
        assert each(jobs.die_on_three, range(8), workers=1, cluster=cluster.address) == [
            0,
            1,
            2,
            WorkerDied(),
            4,
            5,
            6,
            7,
        ]


def test_an_interrupt_begins_no_other_job_and_leaves_none_running(two: LocalCluster, tmp_path: Path) -> None:
    def interrupt_when_two_work() -> None:
        until = time.monotonic() + 20
        while len(list(tmp_path.glob("*.begun"))) < 2 and time.monotonic() < until:
            time.sleep(0.01)
        # What has begun goes on for a while after the interrupt.
        threading.Timer(1.5, (tmp_path / "enough").touch).start()
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        each(
            jobs.plus_or_write, [1, *(tmp_path / f"{n}" for n in range(6))], workers=1, cluster=two.address,
            done=lambda *_: interrupt_when_two_work(),
        )  # fmt: skip
    # What had begun has ended when the interrupt comes back, and the workers are free.
    assert len(list(tmp_path.glob("*.begun"))) == 2
    assert len(list(tmp_path.glob("*.ended"))) == 2
    begun = time.monotonic()
    assert each(jobs.plus, [1, 2], workers=1, cluster=two.address, common=1) == [2, 3]
    assert time.monotonic() - begun < 3
    assert len(list(tmp_path.glob("*.begun"))) == 2


@pytest.mark.slow
def test_nobody_answers(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(far, "ANSWER_S", 0.5)
    monkeypatch.setattr(far, "BUSY_S", 1.0)
    with socket.create_server(("127.0.0.1", 0)) as silent:
        for address in (f"tcp://127.0.0.1:{silent.getsockname()[1]}", "tcp://127.0.0.1:9", "what://ever", "127.0.0.1"):
            begun = time.monotonic()
            with pytest.raises(CallError, match="no scheduler answers there"):
                each(jobs.plus, [1, 2], workers=1, cluster=address)
            assert time.monotonic() - begun < 6


def test_a_scheduler_that_is_busy_is_waited_for(two: LocalCluster, monkeypatch: pytest.MonkeyPatch) -> None:
    """It listens and has no time to answer: no reason to say that nobody is there."""
    monkeypatch.setattr(far, "ANSWER_S", 0.5)
    two.scheduler.send_signal(signal.SIGSTOP)
    later = threading.Timer(2.5, two.scheduler.send_signal, [signal.SIGCONT])
    later.start()
    try:
        far._client(two.address).close()
    finally:
        later.join()


def test_a_client_whose_loop_does_not_begin_is_said_in_a_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    """On a machine under load the library gives its loop ten seconds, then asserts that it is there."""

    def late(*_: object, **__: object) -> None:
        raise AssertionError

    monkeypatch.setattr("distributed.Client", late)
    with pytest.raises(CallError, match="no scheduler answers there"):
        far._client("tcp://127.0.0.1:8786")


@pytest.mark.slow
def test_a_scheduler_without_workers_is_reported(tmp_path: Path) -> None:
    with local_cluster(tmp_path, workers=0) as cluster, pytest.raises(CallError, match="has no workers"):
        each(jobs.plus, [1, 2], workers=1, cluster=cluster.address)


def test_a_worker_that_was_cut_off_writes_nothing_when_its_run_has_ended(plant: Path, tmp_path: Path) -> None:
    before = {path: path.stat().st_mtime_ns for path in (plant / "whole").rglob("*")}
    common = run._Common(
        settings=load_settings(),
        pdf=False,
        search=Search(tags=frozenset(TAGS), reader=None),
        others={},
    )
    job = run._Job(
        tag="D-0", name="", drive_path=plant / "drives" / "D-0.toml", captures=(plant / "captures" / "D-0.h5",),
        out=plant / "whole", force=True, run="0123456789abcdef",
    )  # fmt: skip
    assert "the run has ended" in (run._do_job(job, common).failure or "")
    assert {path: path.stat().st_mtime_ns for path in (plant / "whole").rglob("*")} == before


@pytest.mark.slow
def test_a_scheduler_that_goes_away_is_reported_and_the_run_goes_on_later(
    plant: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(far, "ANSWER_S", 2.0)
    out = tmp_path / "out"
    with local_cluster(tmp_path, workers=1) as cluster:

        def end_it(done: int, total: int, what: str) -> None:
            if done == 2:
                cluster.scheduler.kill()

        with pytest.raises(CallError, match="the scheduler has gone away"):
            run.run_recipe(plant / "route.toml", out=out, cluster=cluster.address, progress=end_it)
    assert (out / JOURNAL).is_file()
    assert len(run.run_recipe(plant / "route.toml", out=out, workers=1).kept) >= 2
    assert_whole(out, plant)
