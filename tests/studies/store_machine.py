"""A store against a plain model of it: captures added, thinned, lost and brought back, events, alarms and decisions put
down, repaired, exported; and in the midst of any of these the process is ended, after so many of its steps to the disk
as hypothesis likes. What was acknowledged must be there, what was not must be there wholly or not at all, and after
``repair`` everything must be in order.

The process that is ended is a fork of this one: it leaves by ``os._exit`` at the given step, which is what a kill
leaves behind, and costs milliseconds where a fresh interpreter costs half a second.

``python -m tests.studies.store_machine --count 300 --seed 1``
"""

from __future__ import annotations

import csv
import os
import shutil
import tempfile
import warnings
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, seed, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule, run_state_machine_as_test

from tests.history.kept_captures import START, channels, content, record
from tests.studies.page import Clock, options
from vibe.core.records.history import Decision, Event
from vibe.history.store.export import export
from vibe.history.store.maintenance import thin, verify
from vibe.history.store.recovery import repaired
from vibe.history.store.store import Store

NUMBERS = st.integers(0, 7)
STEPS = st.one_of(st.none(), st.integers(1, 30))
"""After how many steps the process is ended; None lets it come to its end."""
_ENDED = 9


class _Counted:
    """A connection every statement of which is a step."""

    def __init__(self, connection: Any, step: Callable[[], None]) -> None:
        self._connection, self._step = connection, step

    def execute(self, *args: Any) -> Any:
        self._step()
        found = self._connection.execute(*args)
        if args[0] == "COMMIT":
            self._step()
        return found

    def __getattr__(self, name: str) -> Any:
        return getattr(self._connection, name)


def done(folder: Path, work: Callable[[Store], Any], steps: int | None) -> bool:
    """Do ``work`` in a process of its own, which is ended after so many steps; whether it came to its end."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        child = os.fork()
    if child == 0:
        status = 1
        try:
            _limited(folder, work, steps)
            status = 0
        finally:
            os._exit(status)
    _, status = os.waitpid(child, 0)
    code = os.waitstatus_to_exitcode(status)
    assert code in (0, _ENDED), f"the process left with {code}"
    return code == 0


def _limited(folder: Path, work: Callable[[Store], Any], steps: int | None) -> None:
    left = [steps if steps is not None else 1 << 30]

    def step() -> None:
        left[0] -= 1
        if left[0] < 0:
            os._exit(_ENDED)

    def stepping(real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*args: Any, **kwargs: Any) -> Any:
            step()
            return real(*args, **kwargs)

        return call

    for name in ("replace", "rename", "fsync", "link", "unlink", "mkdir"):
        setattr(os, name, stepping(getattr(os, name)))
    with Store.open(folder, create=True) as store:
        store._connection = _Counted(store._connection, step)  # type: ignore[assignment]
        work(store)


class StoreMachine(RuleBasedStateMachine):
    """The model: what became of each capture's samples; events, alarms and decisions in order."""

    def __init__(self) -> None:
        super().__init__()
        self.place = Path(tempfile.mkdtemp())
        self.folder = self.place / "history"
        self.kept: dict[int, str] = {}
        self.events: list[str] = []
        self.alarms: dict[int, bool] = {}
        self.decisions: list[str] = []
        self.exports = 0
        Store.open(self.folder, create=True).close()

    def teardown(self) -> None:
        """Everything is in order at the end, whatever happened."""
        repaired(self.folder)
        self._is_as_the_model_says()
        shutil.rmtree(self.place)

    def _do(self, work: Callable[[Store], Any], steps: int | None, model: Callable[[], None]) -> None:
        before = (dict(self.kept), list(self.events), dict(self.alarms), list(self.decisions))
        if done(self.folder, work, steps):
            model()
            return
        # Not acknowledged: it must have happened wholly, or not at all. Each capture of a thinning by itself.
        there = self._there()
        model()
        after = (self.kept, self.events, self.alarms, self.decisions)
        for was, now, found in zip(before, after, there, strict=True):
            if isinstance(was, dict) and isinstance(now, dict) and isinstance(found, dict):
                for key in was.keys() | found.keys():
                    assert found.get(key) in (was.get(key), now.get(key)), f"{key} is {found.get(key)}"
            else:
                assert found in (was, now)
        self.kept, self.events, self.alarms, self.decisions = there
        repaired(self.folder)

        # Repair takes in what lay there whole, and says of files what they are.
        healed = self._there()
        for number, state in healed[0].items():
            assert state in (before[0].get(number), after[0].get(number)) or number in self.kept
        assert set(self.kept) <= set(healed[0])
        assert healed[1:] == there[1:]
        self.kept = healed[0]
        with Store.open(self.folder) as store:
            assert verify(store).wrong == ()

    def _there(self) -> tuple[dict[int, str], list[str], dict[int, bool], list[str]]:
        with Store.open(self.folder) as store:
            numbers = {content(number): number for number in range(8)}
            return (
                {numbers[one.content]: one.waveform for one in store.captures()},
                sorted(one.note for one in store.events()),
                {int(one.id): one.closed_at is None for one in store.alarms(open_only=False)},
                [one.because for one in store.decisions()],
            )

    @rule(number=NUMBERS, steps=STEPS)
    def add(self, number: int, steps: int | None) -> None:
        """A capture; one that was lost comes back."""

        def model() -> None:
            if self.kept.get(number) in (None, "lost"):
                self.kept[number] = "kept"

        self._do(lambda store: store.add(record(number), channels(number, 64)), steps, model)

    @rule(number=NUMBERS, steps=STEPS)
    def event(self, number: int, steps: int | None) -> None:
        """Something was done to a drive."""
        note = f"{len(self.events):04d}"
        stated = Event(drive="TH-01", at=START + timedelta(days=number), kind="grease", note=note)
        self._do(lambda store: store.add_event(stated), steps, lambda: self.events.append(note))

    @rule(number=NUMBERS, steps=STEPS)
    def alarm(self, number: int, steps: int | None) -> None:
        """An alarm that names a capture, which then keeps its samples."""

        def model() -> None:
            self.alarms[number] = True

        facts = f'{{"captures": ["{content(number)}"]}}'
        self._do(lambda store: store.put_alarm(str(number), "TH-01", "lobe", START, facts), steps, model)

    @rule(number=NUMBERS, steps=STEPS)
    def decide(self, number: int, steps: int | None) -> None:
        """A decision closes its alarm here."""
        if number not in self.alarms:
            return
        why = f"{len(self.decisions):04d}"
        stated = Decision(alarm=str(number), verdict="sensor", because=why, by="R. Roe", at=START)
        self._do(lambda store: store.decide(stated), steps, lambda: self.decisions.append(why))

        def model() -> None:
            self.alarms[number] = False

        self._do(lambda store: store.close_alarm(str(number)), steps, model)

    @rule(number=NUMBERS, steps=STEPS)
    def thin(self, number: int, steps: int | None) -> None:
        """Samples of captures from before a day go."""
        before = START + timedelta(days=number)

        def model() -> None:
            for one, state in self.kept.items():
                if state == "kept" and one < number and not self.alarms.get(one):
                    self.kept[one] = "thinned"

        self._do(lambda store: thin(store, before=before), steps, model)

    @rule(number=NUMBERS)
    def lose(self, number: int) -> None:
        """Somebody deletes a file; repair puts it down as lost."""
        if self.kept.get(number) not in ("kept", "thinned"):
            return
        with Store.open(self.folder) as store:
            store.path_of(content(number)).unlink()
        repaired(self.folder)
        self.kept[number] = "lost"

    @rule(steps=STEPS)
    def repair(self, steps: int | None) -> None:
        """Of a store in order it changes nothing, however often it is ended."""
        from vibe.history.store.maintenance import repair

        self._do(repair, steps, lambda: None)

    @rule()
    def tables(self) -> None:
        """What is exported is what is there."""
        self.exports += 1
        out = self.place / f"tables {self.exports}"
        with Store.open(self.folder) as store:
            export(store, out, "csv")
        with (out / "captures.csv").open(encoding="utf-8") as stream:
            rows = {row["content"]: row["waveform"] for row in csv.DictReader(stream)}
        assert rows == {content(number): state for number, state in self.kept.items()}
        with (out / "decisions.csv").open(encoding="utf-8") as stream:
            assert len(list(csv.DictReader(stream))) == len(self.decisions)

    @invariant()
    def is_as_the_model_says(self) -> None:
        """After every step."""
        self._is_as_the_model_says()

    def _is_as_the_model_says(self) -> None:
        assert self._there() == (self.kept, self.events, self.alarms, self.decisions)
        with Store.open(self.folder) as store:
            found = verify(store)
            assert found.wrong == ()
            assert len(found.known) == sum(state == "lost" for state in self.kept.values())
            for number, state in self.kept.items():
                name = content(number)
                assert len(store.rows("SELECT 1 FROM value JOIN capture ON capture = id WHERE content = ?", name)) == 8
                if state != "lost":
                    assert len(store.waveform(name)) == (2 if state == "kept" else 0)
                    assert [s.top.tobytes() for s in store.spectra(name)] == [
                        s.top.tobytes() for s in record(number).spectra
                    ]


def run(count: int, first: int, steps: int = 25) -> None:
    """``count`` lives of a store, each of at most ``steps`` steps."""
    chosen = settings(
        max_examples=count, stateful_step_count=steps, deadline=None, database=None, print_blob=False,
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    run_state_machine_as_test(seed(first)(StoreMachine), settings=chosen)


def main() -> None:
    """The long study."""
    stated = options(__doc__ or "", count=300, counts="lives of a store")
    clock = Clock()
    run(stated.count, stated.seed)
    print(f"lives: {stated.count}, nothing lost, half or wrong; time: {clock}; {datetime.now(UTC):%Y-%m-%d}")


if __name__ == "__main__":
    main()
