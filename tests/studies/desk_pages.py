"""What pages of the desk cost with ten sites, 10,080 drives and 5,090 open cases, asked over a real connection.

``python -m tests.studies.desk_pages --count 1008`` (drives of a site). Rows are those of one store, cloned: each site
is a store whose kept judgement holds them, as a desk that is opened in the morning finds it. One store has captures of
20 s at 25.6 kHz.
"""

from __future__ import annotations

import http.client
import random
import resource
import shutil
import statistics
import tempfile
import threading
import time
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from tests.desk.sites_of_desk import desk_of, filled
from tests.studies.page import options, write_table
from vibe.core.records.case_row import LISTS
from vibe.flow.cases.judged import FleetDrive, JudgedStore, judge, keep, stamp_of
from vibe.history.store.store import Store

SITES, OPEN_SHARE = 10, 0.505
FIRST_PAGE_MS, SPECTRUM_MS = 300.0, 500.0


def cloned(found: JudgedStore, site: str, drives: int, stamp: str, seed: int) -> JudgedStore:
    """A judgement of ``drives`` drives, half of them with a case, made of the few that there are."""
    rng = random.Random(seed)
    tags = [f"{site[:1]}{number % 40:02}-{number:04}" for number in range(drives)]
    rows, details = [], {}
    for number in range(round(drives * OPEN_SHARE)):
        one = found.rows[number % len(found.rows)]
        row = replace(
            one, site=site, id=f"c{number:05}", drives=(tags[2 * number % drives],), name=f"Screw press {number % 31}",
            urgency=round(rng.uniform(0, 95), 2), owner=rng.choice(("", "", "J. Sole", "P. Quint")),
            list=rng.choice(tuple(LISTS)), kind=rng.choice(("fault", "growth", "sensor", "load or speed")),
            state=rng.choice(("act", "plan", "watch", "watch")),
        )  # fmt: skip
        rows.append(row)
        details[row.id] = found.details[one.id]
    first = found.fleet[0]
    fleet = tuple(
        FleetDrive(tag=tag, name="Screw press", captures=31, accepted=30, last=first.last, state="sound")
        for tag in tags
    )
    return replace(
        found, site=site, stamp=stamp, drives=drives, captures=31 * drives, rows=tuple(rows), details=details,
        fleet=fleet,
    )  # fmt: skip


def main() -> None:
    """The figures."""
    import uvicorn

    from tests.studies.desk_cost import filled as with_samples
    from vibe.desk import rendering
    from vibe.desk.app import desk_app
    from vibe.flow.evidence import points

    asked = options(__doc__ or "", count=1008, counts="drives of a site")
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        sound = filled(folder / "one")
        found = judge(sound, "one", keeps=False)
        stores: list[Path] = []
        capture = ""
        for number in range(SITES):
            site = shutil.copytree(sound, folder / f"Site {number}")
            with Store.open(site) as store:
                contents = with_samples(store) if number == 0 else []
                stamp = stamp_of()
                change = store.change_number()
            made = cloned(found, site.name, asked.count, stamp, asked.seed + number)
            keep(site, replace(made, change=change))
            stores.append(site)
            capture = contents[0] if contents else capture
        begun, worked = time.perf_counter(), time.process_time()
        rendering.warm()
        desk = desk_of(*stores)
        opened_ms = 1e3 * (time.perf_counter() - begun)
        print(f"opened with {1e3 * (time.process_time() - worked):.0f} ms of own work")
        points.warm()
        rows = len(desk.sites.rows())
        assert desk.sites.drives == SITES * asked.count
        assert rows == SITES * round(asked.count * OPEN_SHARE)
        import socket

        listening = socket.create_server(("127.0.0.1", 0))
        desk.keys.port = listening.getsockname()[1]
        server = uvicorn.Server(uvicorn.Config(desk_app(desk), log_level="critical", lifespan="off"))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()
        while not server.started:
            time.sleep(0.01)
        cookie: dict[str, str] = {}
        own_ms = 0.0

        def get(path: str, **headers: str) -> tuple[int, float]:
            nonlocal own_ms
            own = time.process_time()
            link = http.client.HTTPConnection("127.0.0.1", desk.keys.port)
            start = time.perf_counter()
            link.request("GET", path, headers=cookie | headers)
            answer = link.getresponse()
            size = len(answer.read())
            took = 1e3 * (time.perf_counter() - start)
            own_ms = 1e3 * (time.process_time() - own)
            assert answer.status in (200, 303), (path, answer.status)
            if said := answer.getheader("set-cookie"):
                cookie["Cookie"] = said.split(";")[0]
            return size, took

        get(f"/start?key={desk.keys.key}")
        row = max(desk.sites.rows(), key=lambda one: one.urgency)
        spectrum = {"site": "Site 0", "capture": capture, "point": "input side radial"}
        pages = {
            "first page": "/", "all open, page 30": "/?list=all&page=30",
            "two filters": "/?list=all&site=Site+3&state=act",
            "search": "/?list=all&q=press+12", "sorted by due": "/?list=all&sort=due",
            "a case": f"/case/{row.site}/{row.id}",
            "drives, a search": "/drive?q=S12", "the whole list as CSV": "/cases.csv?list=all",
            "what is newer": "/api/news",
        }  # fmt: skip
        for kind in ("acceleration", "velocity"):
            pages[f"spectrum, {kind}"] = "/api/spectrum?" + urlencode(spectrum | {"kind": kind})
        pages["spectrum in orders"] = "/api/spectrum?" + urlencode(spectrum | {"kind": "acceleration", "axis": "order"})
        pages["envelope of a band"] = "/api/spectrum?" + urlencode(
            spectrum | {"kind": "envelope", "axis": "order", "lo": 2000, "hi": 6000}
        )
        table: list[dict[str, Any]] = [
            {
                "what": "open: rows of ten stores read",
                "first_ms": round(opened_ms),
                "median_ms": "",
                "own_ms": "",
                "kB": "",
            }
        ]
        for what, path in pages.items():
            from vibe.flow.desk.stored_signal import CACHE

            times, works = [], []
            size = 0
            for _ in range(9):
                if "spectrum" in what or "envelope" in what:
                    CACHE.clear()
                size, took = get(path.replace("Site ", "Site%20"))
                times.append(took)
                works.append(own_ms)
            limit = SPECTRUM_MS if path.startswith("/api/spectrum") else FIRST_PAGE_MS
            table.append(
                {"what": what, "first_ms": round(times[0], 1), "median_ms": round(statistics.median(times), 1),
                 "own_ms": round(statistics.median(works), 1),
                 "kB": round(size / 1e3, 1), "within": statistics.median(times) <= limit}
            )  # fmt: skip
        server.should_exit = True
        thread.join(5)
        for one in table:
            print(" | ".join(str(value) for value in one.values()))
        print(f"{rows} rows of {desk.sites.drives} drives; "
              f"{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")  # fmt: skip
        table[0]["within"] = ""
        write_table(asked.out, "desk_pages", table)


if __name__ == "__main__":
    main()
