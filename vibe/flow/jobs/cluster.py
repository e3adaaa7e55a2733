"""Workers of a Dask cluster that exists already: its scheduler hands them the jobs.

Jobs name files by their paths, so all machines must see the same files under the same paths, and run the same vibe.
A scheduler runs whatever it is sent and by default asks nobody who they are: keep it in a closed network, or use its
TLS (https://distributed.dask.org/en/stable/tls.html), which is set up in its own configuration files.
"""

from __future__ import annotations

import logging
import pickle
import platform
import secrets
import socket
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, Future
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import Any

from vibe import __version__
from vibe.core.errors import CallError, OutputError

ANSWER_S = 5.0
"""A scheduler that does not answer within this is not there, or busy; workers may take as long to come."""
BUSY_S = 30.0
"""So long for one where something listens: with much to do, or on a machine with much to do, it takes its time."""
LOOK_EVERY_S = 10.0
"""How often workers are counted: they come and go."""
ENDING_S = 60.0
"""So long an interrupted run waits for jobs that have begun; one takes seconds, and a thread cannot be ended."""
PATIENCE_S = 60.0
"""So long without a single worker, and the run is given up: killed ones are usually started anew within seconds."""

# In a worker:
_one_at_a_time = threading.Lock()
"""A worker may have several threads; our jobs use one core each, and libraries below them are not all safe in many."""
_running: set[str] = set()
_over: set[str] = set()
_state = threading.Lock()


class RunEndedError(Exception):
    """Raised instead of beginning a job whose run was interrupted."""


class Cluster:
    """The workers of the cluster at ``address``; each gets ``common`` once.

    ``sees``: files and folders that every worker must see; ``writes``: folders, which are there, that it writes into.

    Raises:
        CallError: no scheduler answers, it has no workers, or one of them cannot do our work: of another vibe, of
            another python, without the files.
    """

    all_for_one = False

    def __init__(self, address: str, common: Any, sees: Sequence[Path] = (), writes: Sequence[Path] = ()) -> None:
        self._address = address
        client = _client(address)
        try:
            from distributed import KilledWorker

            self.died: tuple[type[BaseException], ...] = (KilledWorker,)
            self._client, self._token, self._futures = client, secrets.token_hex(8), set[Future[Any]]()
            self._count = self._asked(sees, writes)
            self._counted_s = self._seen_s = time.monotonic()
            # Broadcast: with one worker gone the others still have it.
            self._common = None if common is None else client.scatter([common], broadcast=True, hash=False)[0]
            # Not pure: a job that is tried again must be a new one to the scheduler.
            self._executor: Executor = client.get_executor(pure=False)
        except BaseException:
            client.close()
            raise

    @property
    def at_once(self) -> int:
        """Jobs to hand out before one is back: enough that no worker waits."""
        if time.monotonic() - self._counted_s > LOOK_EVERY_S:
            self.look()
        return 2 * self._count + 2

    def submit(self, work: Callable[..., Any], job: Any) -> Future[Any]:
        """One job, packed: the scheduler has no business in it."""
        packed = pickle.dumps((work, job))
        try:
            future: Future[Any] = self._executor.submit(_far, packed, self._common, self._token)
        except (OSError, RuntimeError, ValueError) as error:
            raise self.gone() from error
        self._futures.add(future)
        future.add_done_callback(self._futures.discard)
        return future

    def anew(self) -> Cluster:
        """A scheduler replaces workers by itself."""
        return self

    def alone(self) -> Cluster:
        """For a job that may have been the death of a worker: here one worker's death costs no other."""
        return self

    def look(self) -> None:
        """Raises: CallError where there has been nobody to do the work for long."""
        try:
            self._count = len(self._client.ncores())
        except (OSError, RuntimeError, ValueError) as error:
            raise self.gone() from error
        self._counted_s = now = time.monotonic()
        if self._count:
            self._seen_s = now
        elif now - self._seen_s > PATIENCE_S:
            raise CallError(
                f"--cluster {self._address}: for {PATIENCE_S:g} s there has been no worker; start some and give the "
                "same command again, what is finished is kept"
            )

    def gone(self) -> CallError:
        """What is to be said when the scheduler has dropped the work."""
        return CallError(
            f"--cluster {self._address}: the scheduler has gone away or dropped the work; when it is back give the "
            "same command again, what is finished is kept"
        )

    def close(self) -> None:
        """All work is done."""
        self._client.close()

    def end(self) -> None:
        """Begin no other job, and wait for those that run: nothing may be written after the command has ended."""
        until = time.monotonic() + ENDING_S
        with suppress(Exception):
            for future in list(self._futures):
                future.cancel()
            while self._client.status == "running" and time.monotonic() < until:
                if not any(self._client.run(_still_works, self._token, on_error="ignore").values()):
                    break
                time.sleep(0.1)
        with suppress(Exception):
            self._client.close(timeout=ANSWER_S)

    def _asked(self, sees: Sequence[Path], writes: Sequence[Path]) -> int:
        """How many workers there are, when all of them can do our work."""
        try:
            self._client.wait_for_workers(1, timeout=ANSWER_S)
        except TimeoutError as error:
            raise CallError(
                f"--cluster {self._address}: the scheduler has no workers; start one with `dask worker "
                f"{self._address} --nthreads 1`"
            ) from error
        with ExitStack() as probes:
            marks = [probes.enter_context(_probe(folder)) for folder in writes]
            answers: Mapping[str, Any] = self._client.run(_about, [*sees, *marks], on_error="return")
        for worker, answer in answers.items():
            self._check(worker, answer)
        return len(answers)

    def _check(self, worker: str, answer: Any) -> None:
        start = f"--cluster {self._address}: the worker at {worker}"
        here = _about([])
        if isinstance(answer, ImportError):
            raise CallError(f"{start} cannot load vibe ({answer}); install vibe {__version__} there")
        if isinstance(answer, Exception):
            raise CallError(f"{start} does not answer ({answer}); repair or remove it")
        if (answer["vibe"], answer["python"]) != (here["vibe"], here["python"]):
            raise CallError(
                f"{start} has vibe {answer['vibe']} on python {answer['python']}, and here it is vibe {here['vibe']} "
                f"on python {here['python']}; install the same there"
            )
        if answer["missing"]:
            place = Path(answer["missing"][0])
            place = place.parent if place.name.startswith(_PROBE) else place
            raise CallError(
                f"{start} does not see {place}; every machine of the cluster must see the same files under the same "
                "path"
            )


def _client(address: str) -> Any:
    try:
        from distributed import Client
    except ImportError as error:
        raise CallError("--cluster needs the optional package distributed: install vibe[cluster]") from error
    for name in list(logging.root.manager.loggerDict):
        # What they have to say is reported here, in sentences.
        if name.partition(".")[0] in ("distributed", "tornado", "asyncio"):
            logging.getLogger(name).setLevel(logging.CRITICAL)
    if address.startswith("tls://"):
        _check_certificates(address)
    found = _asked_within(Client, address, ANSWER_S)
    if (found is None or isinstance(found, OSError)) and _listens(address):
        found = _asked_within(Client, address, BUSY_S)
    if found is not None and not isinstance(found, Exception):
        return found
    right = "is the address right (tcp://host:8786), and is it running?"
    if address.startswith("tls://"):
        right = "is the address right, is it running, and do both sides know each other's certificates?"
    raise CallError(f"--cluster {address}: no scheduler answers there; {right}") from found


def _asked_within(client: Callable[..., Any], address: str, seconds: float) -> Any:
    """The library's client of a scheduler, or the error of its own; None where it says nothing at all."""
    found: list[Any] = []

    def ask() -> None:
        try:
            found.append(client(address, timeout=seconds, set_as_default=False, name="vibe"))
        except Exception as error:
            # Also AssertionError, by which the library says that its own loop was not begun within ten seconds.
            found.append(error)

    # In a thread: the library waits for ever where something listens that says nothing.
    thread = threading.Thread(target=ask, daemon=True)
    thread.start()
    thread.join(seconds + 1)
    return found[0] if found else None


def _listens(address: str) -> bool:
    """Whether something takes connections there. Not asked of one that wants certificates: it says no at once."""
    scheme, _, place = address.rpartition("://")
    host, _, port = place.rpartition(":")
    if scheme not in ("", "tcp") or not (port.isascii() and port.isdigit()):
        return False
    try:
        socket.create_connection((host.strip("[]"), int(port)), timeout=ANSWER_S).close()
    except (OSError, OverflowError):
        return False
    return True


def _check_certificates(address: str) -> None:
    """Refuse a call for which no certificate is configured: the library would wait, and say so while it ends.

    Raises:
        CallError: none is, or its files cannot be used.
    """
    from distributed.security import Security

    why = ""
    try:
        if Security().get_connection_args("client").get("ssl_context") is not None:
            return
    except (OSError, ValueError) as error:
        why = f" ({getattr(error, 'strerror', None) or error})"
    raise CallError(
        f"--cluster {address}: no certificate of this machine can be used{why}; name ca-file, and cert and key of the "
        "client, under distributed.comm.tls in the configuration of Dask"
    )


_PROBE = ".vibe-probe-"


@contextmanager
def _probe(folder: Path) -> Iterator[Path]:
    """A file in ``folder`` that nobody else can have: who sees it sees our folder and not one of the same name."""
    path = folder / f"{_PROBE}{secrets.token_hex(8)}"
    try:
        path.touch(exist_ok=False)
    except OSError as error:
        raise OutputError(f"cannot write into {folder}: {error.strerror or error}") from error
    try:
        yield path
    finally:
        path.unlink(missing_ok=True)


# ── in a worker ───────────────────────────────────────────────────────────────────────────────────────────────────


def _about(places: Sequence[Path]) -> dict[str, Any]:
    """What a worker is, and which of ``places`` it does not see."""
    return {
        "vibe": __version__,
        "python": ".".join(platform.python_version_tuple()[:2]),
        "missing": [str(place) for place in places if not place.exists()],
    }


def _far(packed: bytes, common: Any, token: str) -> Any:
    """One job, in a thread of a worker; one at a time in its process, whatever its threads."""
    with _one_at_a_time:
        with _state:
            if token in _over:
                raise RunEndedError
            _running.add(token)
        try:
            work, job = pickle.loads(packed)
            return work(job) if common is None else work(job, common)
        finally:
            with _state:
                _running.discard(token)


def _still_works(token: str) -> bool:
    """Whether this worker is at a job of the run ``token``, of which it begins no other."""
    with _state:
        _over.add(token)
        return token in _running
