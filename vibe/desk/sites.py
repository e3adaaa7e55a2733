"""The stores that a desk shows: their rows in memory, judged anew by a process of its own when something was added.

A request only reads what lies here. Rows change as a whole, under a new ``rev``; a page that was drawn from an earlier
one asks what is newer and is never moved.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vibe.core.errors import CallError, VibeError, defect
from vibe.core.records.case_row import CaseRow

if TYPE_CHECKING:
    from concurrent.futures import Future

    from vibe.flow.cases.judged import JudgedStore
    from vibe.flow.cases.stores import Store
    from vibe.flow.desk.notices import ActNotice
    from vibe.flow.jobs.processes import Processes

_END_S = 1.0
"""How long an end waits for the thread that looks; whatever it does by then writes nothing."""
LOOK_S = 2.0
"""How often the stores are asked whether something was added: 2 ms for ten of them."""


class SiteStore:
    """One store of a desk. ``judged`` is None until its first judgement is there, ``trouble`` what went wrong."""

    def __init__(self, name: str, folder: Path) -> None:
        self.name, self.folder = name, folder
        self.judged: JudgedStore | None = None
        self.as_judged: JudgedStore | None = None
        """As the judgement said, without what people changed since."""
        self.trouble = ""
        self.judging = False


class Sites:
    """All stores of a desk. ``rev`` grows whenever rows change; one object serves all threads."""

    def __init__(
        self, folders: Sequence[Path], *, apart: bool = True, read_only: bool = False,
        changed: Callable[[], None] = lambda: None,
    ) -> None:  # fmt: skip
        """``apart``: judge in another process, so that requests do not wait for it. ``read_only``: write nothing.
        ``changed`` is called whenever rows are others than before.

        Raises:
            CallError: one folder is given twice, or holds no store.
        """
        from vibe.flow.cases.stores import opened

        real = [folder.resolve() for folder in folders]
        if len(set(real)) < len(real):
            raise CallError("one store is given twice")
        for folder in folders:
            opened(folder, read_only=read_only).close()
        self.stores = tuple(SiteStore(name, folder) for name, folder in zip(_names(real), folders, strict=True))
        self.rev = 0
        self.changed_at: dict[str, int] = {}
        self.dropped: dict[str, CaseRow] = {}
        self._over: dict[str, tuple[int, CaseRow | None]] = {}
        self._details: dict[str, dict[str, Any]] = {}
        self._by_name = {one.name: one for one in self.stores}
        self._lock, self._beginning = threading.Lock(), threading.Lock()
        self._end = threading.Event()
        self._wake = threading.Event()
        self._thread: threading.Thread | None = None
        self._apart, self._tell = apart, changed
        self.read_only = read_only
        self._pool: Processes | None = None
        self._far: Any = None

    # ── what pages ask ────────────────────────────────────────────────────────────────────────────────────────────

    def store(self, name: str) -> SiteStore:
        """A store by its name. Raises: CallError where there is none."""
        try:
            return self._by_name[name]
        except KeyError:
            raise CallError(f"there is no site {name[:80]!r}") from None

    def opened(self, name: str) -> Store:
        """The store of a site, open for this thread. Raises: CallError where there is none."""
        from vibe.flow.cases.stores import opened

        return opened(self.store(name).folder, read_only=self.read_only)

    def rows(self) -> tuple[CaseRow, ...]:
        """All open cases of all stores."""
        return tuple(row for one in self.stores if one.judged is not None for row in one.judged.rows)

    def rows_of(self, site: str, tag: str) -> list[CaseRow]:
        """Open cases of one drive, most urgent first."""
        judged = self.store(site).judged
        found = [] if judged is None else [row for row in judged.rows if tag in row.drives]
        return sorted(found, key=lambda row: -row.urgency)

    def row(self, site: str, case: str) -> CaseRow | None:
        """An open case; None where it is closed or unknown."""
        judged = self.store(site).judged
        return None if judged is None else next((row for row in judged.rows if row.id == case), None)

    def acting(self, folder: Path) -> tuple[ActNotice, ...] | None:
        """Cases of the store in ``folder`` that are in state act and not decided; None before its first judgement of
        today is there."""
        from vibe.flow.cases.judged import stamp_of
        from vibe.flow.desk.notices import acting_rows

        one = next(one for one in self.stores if one.folder == folder)
        return None if one.judged is None or one.judged.stamp != stamp_of() else acting_rows(one.judged.rows)

    @property
    def judged_at(self) -> datetime | None:
        """When the oldest of the judgements was made; None while one is missing."""
        times = [None if one.judged is None else one.judged.at for one in self.stores]
        return None if None in times else min((time for time in times if time is not None), default=None)

    @property
    def measured(self) -> str:
        """The latest capture of all."""
        return max((one.judged.measured for one in self.stores if one.judged is not None), default="")

    def measured_at(self, site: str) -> str:
        """The latest capture of one site; "" where nothing is known of it."""
        one = self._by_name.get(site)
        return "" if one is None or one.judged is None else one.judged.measured

    @property
    def drives(self) -> int:
        """How many drives there are."""
        return sum(one.judged.drives for one in self.stores if one.judged is not None)

    @property
    def captures(self) -> int:
        """How many captures there are."""
        return sum(one.judged.captures for one in self.stores if one.judged is not None)

    @property
    def judging(self) -> bool:
        """Whether a judgement is being made."""
        return any(one.judging for one in self.stores)

    @property
    def waiting(self) -> int:
        """How many drives are judged again, since something was added that concerns them too."""
        return sum(one.judged.behind for one in self.stores if one.judged is not None)

    def waits(self, row: CaseRow) -> bool:
        """Whether a row is still as it was before something was added that concerns it."""
        judged = self.store(row.site).judged
        return judged is not None and judged.waits(row)

    @property
    def progress(self) -> tuple[int, int]:
        """How many drives of the store that is being judged were looked at, of how many; (0, 0) where nobody knows."""
        if not self.judging or self._far is None:
            return 0, 0
        return int(self._far[0]), int(self._far[1])

    # ── what changes ──────────────────────────────────────────────────────────────────────────────────────────────

    def put(self, row: CaseRow) -> None:
        """Show a case as a person has just changed it, until its store is judged anew."""
        self._lay_over(row, row)

    def drop(self, row: CaseRow) -> None:
        """A case was closed by a person; what is known of it stays at hand, for it may be taken back at once."""
        key = f"{row.site}/{row.id}"
        self._details[key] = self.detail(row)
        self.dropped[key] = row
        self._lay_over(row, None)

    def _lay_over(self, row: CaseRow, shown: CaseRow | None) -> None:
        from vibe.flow.cases.stores import opened

        one = self.store(row.site)
        with opened(one.folder, read_only=self.read_only) as store:
            change = store.change_number()
        with self._lock:
            self._over[f"{row.site}/{row.id}"] = (change, shown)
            if one.judged is not None:
                one.judged = replace(one.judged, rows=self._with_over(one, one.judged, every=True))
            self._changed((row,))
        self._wake.set()

    def _with_over(self, one: SiteStore, judged: JudgedStore, *, every: bool = False) -> tuple[CaseRow, ...]:
        """Rows of a judgement with what people changed after it was begun."""
        rows = {row.id: row for row in judged.rows}
        for key, (change, shown) in list(self._over.items()):
            site, _, case = key.rpartition("/")
            if site != one.name:
                continue
            if change <= judged.change and not every:
                del self._over[key]
            elif shown is None:
                rows.pop(case, None)
            else:
                rows[case] = shown
        return tuple(rows.values())

    def detail(self, row: CaseRow) -> dict[str, Any]:
        """The facts behind a case. Raises: CallError where they are not there."""
        judged = self.store(row.site).judged
        if judged is not None and row.id in judged.details:
            return judged.detail(row.id)
        kept = self._details.get(f"{row.site}/{row.id}")
        if kept is None:
            raise CallError(f"the facts of {row.id} are being gathered; try again in a moment")
        return kept

    def refresh(self) -> None:
        """Judge anew what changed since it was judged. What is kept next to a store is shown until that is done."""
        from vibe.flow.cases.judged import kept, stamp_of
        from vibe.flow.cases.stores import opened

        for one in self.stores:  # all of them first: what was judged on another day is shown as of then
            if one.judged is None and (found := kept(one.folder, one.name)) is not None:
                self._set(one, found)
        for one in self.stores:
            if self._end.is_set():
                return
            try:
                with opened(one.folder, read_only=self.read_only) as store:
                    change = store.change_number()
                was = one.judged
                holds = was is not None and (was.stamp, was.change) == (stamp_of(), change)
                if was is not None and holds and now().timestamp() < was.until_s:
                    continue
                found = self._judged(one)
                self._set(one, found)
                if found.behind:
                    self._set(one, self._judged(one, whole=True))
                one.trouble = ""
            except VibeError as error:
                one.trouble = str(error)
            except Exception as error:  # one odd store must not end the thread that looks at all of them
                one.trouble = defect(error)
            finally:
                one.judging = False

    def _judged(self, one: SiteStore, *, whole: bool = False) -> JudgedStore:
        """A judgement of now; unless ``whole`` one in which sisters of what was added may still be ``waiting``."""
        from vibe.flow.cases.judged import judge
        from vibe.flow.cases.judged_again import judge_again

        one.judging = True
        if not self._apart:
            keeps = not self.read_only
            if one.as_judged is None:
                return judge(one.folder, one.name, keeps=keeps)
            return judge_again(one.folder, one.name, one.as_judged, keeps=keeps)
        try:
            return self._begun(one, whole).result()  # type: ignore[no-any-return]
        except (OSError, RuntimeError) as error:  # the process was ended; the next look begins another
            self._pool = None
            raise CallError(f"{one.folder} could not be judged just now; it is tried again") from error

    def _begun(self, one: SiteStore, whole: bool | None) -> Future[Any]:
        """A judgement in the process that judges, started where there is none; with None it only gets ready."""
        from vibe.flow.jobs.processes import Processes

        with self._beginning:
            if self._end.is_set():
                raise CallError(f"{one.folder} is not judged any more: the desk ends")
            if self._pool is None:
                import multiprocessing

                self._far = multiprocessing.get_context("spawn").Array("q", [0, 0])
                self._pool = Processes(1, self._far)
            return self._pool.submit(_judged_apart, (one.folder, one.name, not self.read_only, whole))

    def _warm(self) -> None:
        """Have the process that judges started, and what is kept read there, before something is added."""
        for one in self.stores:
            with suppress(VibeError, OSError, RuntimeError):
                self._begun(one, None)

    def _set(self, one: SiteStore, judged: JudgedStore) -> None:
        before = {row.id: row for row in one.judged.rows} if one.judged is not None else {}
        with self._lock:
            one.as_judged = judged
            one.judged = judged = replace(judged, rows=self._with_over(one, judged))
            self._changed(row for row in judged.rows if row != before.get(row.id))

    def _changed(self, rows: Iterable[CaseRow]) -> None:
        self.rev += 1
        for row in rows:
            self.changed_at[f"{row.site}/{row.id}"] = self.rev
        self._tell()

    # ── the thread that looks ─────────────────────────────────────────────────────────────────────────────────────

    def start(self) -> None:
        """Begin to look at the stores, until ``close``."""
        self._thread = threading.Thread(target=self._watch, name="looks at the stores", daemon=True)
        self._thread.start()

    def wake(self) -> None:
        """Look at the stores now: something was just added."""
        self._wake.set()

    def close(self) -> None:
        """End the process that judges, and the thread; what was being judged is judged after the next start."""
        self._end.set()
        self._wake.set()
        with self._beginning:  # nothing is begun from here on
            pool = self._pool
        if pool is not None:
            pool.end()
        if self._thread is not None:
            self._thread.join(timeout=_END_S)

    def _watch(self) -> None:
        from vibe.flow.evidence.points import warm

        warmed = False
        while not self._end.is_set():
            self.refresh()
            if not warmed:
                warm()
                if self._apart:
                    self._warm()
                warmed = True
            self._wake.wait(LOOK_S)
            self._wake.clear()


AT_ONCE = 24
"""Drives that are judged before anything is shown: half a second."""


def _judged_apart(job: tuple[Path, str, bool, bool | None], far: Any) -> JudgedStore | None:
    """One store, judged in a process of its own; in ``far`` it says how far it is. A job is the store's folder, the
    name of its site, whether the judgement is kept, and whether all that is concerned is judged before an answer; None
    there reads what is kept, so that the first judgement does not wait for that."""
    from vibe.flow.cases.judged import judge, kept
    from vibe.flow.cases.judged_again import judge_again

    def step(done: int, of: int, _: str) -> None:
        far[0], far[1] = done, of

    folder, site, keeps, whole = job
    step(0, 0, "")
    before = _last.get(folder) or kept(folder, site)
    if whole is None:
        if before is not None and folder not in _last:
            _last[folder] = before
            judge_again(folder, site, before, keeps=False)
        return None
    if before is None:
        _last[folder] = judge(folder, site, keeps=keeps, progress=step)
    else:
        found = judge_again(
            folder, site, before, keeps=keeps, first_only_from=None if whole else AT_ONCE, progress=step
        )
        if found.behind:
            return found
        _last[folder] = found
    return _last[folder]


_last: dict[Path, JudgedStore] = {}
"""In the process that judges: what it judged last."""


def _names(folders: Sequence[Path]) -> list[str]:
    """What the site of each store is called, made unique."""
    from vibe.flow.cases.stores import site_name

    found: list[str] = []
    for folder in folders:
        name = site_name(folder)
        unique, number = name, 2
        while unique in found:
            unique, number = f"{name} {number}", number + 1
        found.append(unique)
    return found


def now() -> datetime:
    """This moment."""
    return datetime.now(UTC)
