"""Reading where it can do no harm: in a process of its own, within limits of memory and time.

Libraries written in C end their process on some damaged files, and small files may claim memory or time without end.
What reads them is therefore called by ``fenced``. The process is started when first needed and kept; it ends with the
one that started it, however that ends. When it is lost, one file is, and the next read starts another.

In: a message with the function, by its name, and its arguments. Out: the result or the error, pickled, then the arrays
in it as they lie in memory. Before each message stand the number of its parts and the length of each.
"""

from __future__ import annotations

import atexit
import os
import pickle
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Any, TypeVar

from vibe.core.errors import CaptureError

T = TypeVar("T")

MEMORY_BYTES, TIMES_FILE = 600 << 20, 2
"""What reading may take above what the started process has, and as many times the file's size: rows are read whole, and
may have to be unpacked (our choice: twenty times what the largest of our own captures takes)."""
LIMIT_S, BYTES_PER_S = 10.0, 1e6
"""Longest work on a file, loading libraries for it counted in, and slowest reading of a large one (our choice: a
hundredth of what a slow disk gives)."""
BY_THE_CLOCK = 6.0
"""So many times as long may pass: while others have the processor a sound file takes its time, and a disk may wait."""
START_S = 60.0
"""Longest time for a start: libraries may come from a slow disk."""
_STARTED_BYTES = 100 << 20
"""What the process has before it reads anything, at most (measured: 45 MB on Linux)."""
LOOK_EVERY_S = 0.2
"""Where the system sets no limit, how often memory is looked at."""
_LIMITS_ITSELF = sys.platform.startswith("linux")
"""Whether the system holds a process to its limits of time and memory."""
_PIPE_BYTES = 1 << 20
"""Of a pipe, where that can be set: each time it is full the two processes take turns."""
_BLOCK_BYTES = 24 << 20
"""Below the largest that the C library of Linux learns from (32 MB)."""
_MAY_ASK = 0x1000 | 0x0010
"""Rights to ask about a process and its memory, on Windows (its own documentation, from memory)."""
_WORD = 8
"""Bytes of a number that is sent."""
_MOST_PARTS = 1 << 20
"""Arrays of one answer; what says more is damaged (our choice, wide)."""


class _LostError(Exception):
    """The process has ended, or its answer makes no sense."""


def fenced(work: Callable[..., T], path: Path, *more: object) -> T:
    """``work(path, *more)`` in the reading process. ``work`` is a function of a module; what it returns is picklable.

    Raises:
        CaptureError: the file ends the process, or needs more memory or time than any sound one.
        Exception: what ``work`` raised.
    """
    return _READER.call(work, path, more)


class _Reader:
    """The reading process of this process, started when it is needed."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None

    def call(self, work: Callable[..., T], path: Path, more: tuple[object, ...]) -> T:
        """See ``fenced``."""
        size = path.stat().st_size
        memory, work_s = MEMORY_BYTES + TIMES_FILE * size, max(LIMIT_S, size / BYTES_PER_S)
        whole = path.absolute()  # the folder of this process may be another by now
        request = pickle.dumps((work.__module__, work.__qualname__, whole, more, memory, work_s))
        with self._lock:
            process = self._started()
            try:
                with _watched(process, BY_THE_CLOCK * work_s, memory) as reasons:
                    _send(process.stdin, [request])
                    kind, result = _unpacked(_receive(process.stdout, 2 * memory))
            except (OSError, _LostError):
                with suppress(subprocess.TimeoutExpired):
                    process.wait(1.0)  # how it ended says why
                self.end()
                raise CaptureError(_why(reasons, process.returncode, work_s, memory), path=path) from None
            except BaseException:
                self.end()  # its answer would be taken for the next one's
                raise
            if kind == "memory":
                self.end()  # what is left of it is not what was started
                raise CaptureError(_too_much(memory), path=path)
        if kind == "refused":
            reason, detail, where, remedy = result
            raise CaptureError(reason, path=path if where == whole else where, detail=detail, remedy=remedy)
        if kind == "error":
            kind_of_error, said = result
            raise kind_of_error(said.replace(str(whole), str(path)))
        return result  # type: ignore[no-any-return]

    def _started(self) -> subprocess.Popen[bytes]:
        if self._process is not None and self._process.poll() is None:
            return self._process
        _keep_memory()
        code = f"import sys; sys.path[:] = {sys.path!r}; from vibe.storage.fence import main; main()"
        self._process = process = subprocess.Popen(
            [sys.executable, "-c", code],
            env=os.environ | dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1"),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            pipesize=_PIPE_BYTES,
            stderr=None if os.environ.get("VIBE_DEBUG") else subprocess.DEVNULL,
        )
        try:
            with _watched(process, START_S, None):
                _receive(process.stdout, 0)
        except BaseException as error:
            self.end()
            if isinstance(error, OSError | _LostError):
                raise CaptureError("cannot be read: the process that reads such files does not start") from None
            raise
        return process

    def end(self) -> None:
        """End the process; the next call starts another."""
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.wait()
            for stream in (process.stdin, process.stdout):
                assert stream is not None
                with suppress(OSError):  # what was not yet sent
                    stream.close()

    def forget(self) -> None:
        """In a copy of the process that owns it: its answers are for the other."""
        if self._process is not None:
            self._process.returncode = 0  # not this one's to wait for
        self._process, self._lock = None, threading.Lock()


_READER = _Reader()
"""The one of this process."""
atexit.register(_READER.end)
if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_READER.forget)


def _why(reasons: list[str], code: int | None, work_s: float, memory: int) -> str:
    if code is not None and code == -getattr(signal, "SIGPROF", 0):
        return f"was not read within {work_s:.0f} s of work, which no sound file of its size needs"
    if "time" in reasons or (code is not None and code == -getattr(signal, "SIGALRM", 0)):
        return f"was not read within {BY_THE_CLOCK * work_s:.0f} s: does the disk answer, or is the machine overloaded?"
    if "memory" in reasons:
        return _too_much(memory)
    if code == -getattr(signal, "SIGKILL", 0):
        return "could not be read: the process that read it was ended from outside, probably for want of memory"
    return "is damaged: it ends the library that reads it; copy it again from where it was recorded"


def _too_much(memory: int) -> str:
    return f"needs more than {memory >> 20:,} MB of memory to be read, which no sound file of its size does"


def _keep_memory() -> None:
    """Let the memory of one file serve for the next.

    The C library of Linux gives every block back to the system and asks for another, which takes as long as reading
    into it, until a large one was freed; then it keeps those up to that size.
    """
    import numpy as np

    np.empty(_BLOCK_BYTES, dtype=np.uint8)  # never touched


@contextmanager
def _watched(process: subprocess.Popen[bytes], limit_s: float, memory: int | None) -> Iterator[list[str]]:
    """End the process when its time is up, or its memory where the system sets no limit; the list says which.

    On Linux the process has its own limits while it reads.
    """
    reasons: list[str] = []
    if memory is not None and _LIMITS_ITSELF:
        yield reasons
        return
    over = threading.Event()
    looks = memory is not None

    def watch() -> None:
        until = time.monotonic() + limit_s
        while not over.wait(min(LOOK_EVERY_S, limit_s) if looks else max(0.0, until - time.monotonic())):
            if time.monotonic() >= until:
                reasons.append("time")
            elif memory is not None and _resident_bytes(process.pid) > _STARTED_BYTES + memory:
                reasons.append("memory")
            if reasons:
                process.kill()
                return

    watcher = threading.Thread(target=watch, daemon=True)
    watcher.start()
    try:
        yield reasons
    finally:
        over.set()
        watcher.join()


def _resident_bytes(pid: int) -> int:
    """Memory of a process: by ``ps``, which every Unix has, else as Windows counts it; 0 where that is not known."""
    if sys.platform == "win32":
        return _working_set_bytes(pid)
    try:
        said = subprocess.run(["ps", "-o", "rss=", "-p", str(pid)], capture_output=True, text=True, timeout=5)
        return int(said.stdout) << 10
    except (OSError, ValueError, subprocess.SubprocessError):
        return 0


def _working_set_bytes(pid: int) -> int:
    """Memory of a process on Windows (PROCESS_MEMORY_COUNTERS of the system's own documentation, from memory: first its
    size and the count of page faults, then the largest working set so far and the one now); 0 where it is not known."""
    import ctypes

    class Counters(ctypes.Structure):
        _fields_ = (("size", ctypes.c_uint32), ("faults", ctypes.c_uint32), ("words", ctypes.c_size_t * 8))

    try:
        system: Any = ctypes.WinDLL("kernel32")  # type: ignore[attr-defined,unused-ignore]
        system.OpenProcess.restype = ctypes.c_void_p
        handle = ctypes.c_void_p(system.OpenProcess(_MAY_ASK, False, pid))
        counters = Counters(size=ctypes.sizeof(Counters))
        good = system.K32GetProcessMemoryInfo(handle, ctypes.byref(counters), counters.size)
        system.CloseHandle(handle)
    except (AttributeError, OSError):
        return 0
    return int(counters.words[1]) if good else 0


def _send(stream: IO[bytes] | None, parts: Sequence[Any]) -> None:
    assert stream is not None
    views = [memoryview(part).cast("B") for part in parts]
    stream.write(b"".join(n.to_bytes(_WORD, "big") for n in (len(views), *(view.nbytes for view in views))))
    for view in views:
        stream.write(view)
    stream.flush()


def _receive(stream: IO[bytes] | None, most: int) -> list[bytearray]:
    """The parts of one message.

    Raises:
        _LostError: the stream has ended, or says what cannot be.
    """
    assert stream is not None
    count = int.from_bytes(_filled(stream, _WORD), "big")
    if count > _MOST_PARTS:
        raise _LostError
    sizes = [int.from_bytes(_filled(stream, _WORD), "big") for _ in range(count)]
    if sum(sizes) > most:
        raise _LostError
    return [_filled(stream, size) for size in sizes]


def _filled(stream: IO[bytes], size: int) -> bytearray:
    content = bytearray(size)
    at = 0
    while at < size:
        got = stream.readinto(memoryview(content)[at:])  # type: ignore[attr-defined]
        if not got:
            raise _LostError
        at += got
    return content


def _unpacked(parts: list[bytearray]) -> tuple[str, Any]:
    kind, result = pickle.loads(parts[0], buffers=parts[1:])
    return kind, result


def main() -> None:
    """Read until the input ends, which it does when the process that asks ends, however it ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C goes to all; the one that asks ends this one
    if hasattr(signal, "SIGALRM"):
        for number in (signal.SIGALRM, signal.SIGPROF):
            signal.signal(number, signal.SIG_DFL)
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGALRM, signal.SIGPROF})
    # What a library prints must not get between the answers.
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    import warnings

    import h5py  # noqa: F401  what it takes is no file's doing

    _keep_memory()
    warnings.simplefilter("ignore")
    try:
        _send(answers, [])
        while True:
            module, name, path, more, memory, work_s = pickle.loads(_receive(sys.stdin.buffer, 1 << 30)[0])
            work = getattr(__import__(module, fromlist=[name]), name)
            with _limited(memory, work_s):
                parts = _answer(work, path, more)
            _send(answers, parts)
    except (_LostError, BrokenPipeError):
        pass


def _answer(work: Callable[..., Any], path: Path, more: tuple[object, ...]) -> list[Any]:
    kind, result = "result", None
    try:
        result = work(path, *more)
    except CaptureError as error:
        kind, result = "refused", (error.plain, error.detail, error.path, error.remedy)
    except MemoryError:
        kind = "memory"
    except Exception as error:
        # Those of libraries may not be there to be made again, and some need more than a text.
        is_plain = type(error).__module__ == "builtins" and not isinstance(error, UnicodeError)
        said = error.args[0] if len(error.args) == 1 and isinstance(error.args[0], str) else str(error)
        kind, result = "error", (type(error) if is_plain else RuntimeError, said)
    buffers: list[pickle.PickleBuffer] = []
    try:
        head = pickle.dumps((kind, result), protocol=5, buffer_callback=buffers.append)
        return [head, *(buffer.raw() for buffer in buffers)]
    except MemoryError:
        return [pickle.dumps(("memory", None))]


@contextmanager
def _limited(memory: int, work_s: float) -> Iterator[None]:
    """Where the system can: no more address space than there is now and ``memory``, and an end after ``work_s`` of
    computing, or some times as long by the clock.

    The alarms end the process even inside a library, and when nobody asks any more.
    """
    try:
        import resource
    except ImportError:  # not on every system
        yield
        return
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    before = resource.getrlimit(resource.RLIMIT_AS)
    if _LIMITS_ITSELF:
        pages = int(Path("/proc/self/statm").read_text().split()[0])
        most = pages * resource.getpagesize() + memory
        soft = most if before[0] == resource.RLIM_INFINITY else min(most, before[0])
        resource.setrlimit(resource.RLIMIT_AS, (soft, before[1]))
    signal.setitimer(signal.ITIMER_PROF, work_s)
    signal.setitimer(signal.ITIMER_REAL, BY_THE_CLOCK * work_s)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.setitimer(signal.ITIMER_REAL, 0)
        if _LIMITS_ITSELF:
            resource.setrlimit(resource.RLIMIT_AS, before)
