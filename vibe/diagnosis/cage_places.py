"""Where a cage is felt: as it passes the load, or what turns past it otherwise."""

from __future__ import annotations

from vibe.core.drive import Bearing
from vibe.core.tones import Tone
from vibe.diagnosis.case import Case

PAST_LOAD = 0.7
"""Share of cages' damage that is felt as the cage passes the load, where it passes other bodies too: an element that
differs is felt where it bears (common practice)."""


def load_of(bearing: Bearing) -> str:
    """Body in whose frame a bearing's load rests: where nobody stated it, a disc's turns with its eccentric and any
    other rests on the outer ring's side."""
    return bearing.load or (bearing.inner if bearing.outer.endswith(".disc") else bearing.outer)


def struck_share(case: Case, tone: Tone) -> float:
    """Share of a cage's damage that shows at this tone of it, of all the bodies that it passes; 1 for other tones."""
    places = _places(case, tone.component)
    if tone.family != "cage" or len(places) == 1:
        return 1.0
    loaded = past_load(case, tone.component)
    if loaded not in places:
        return 1 / len(places)
    return PAST_LOAD if tone.id == loaded else (1 - PAST_LOAD) / (len(places) - 1)


def _places(case: Case, component: str) -> list[str]:
    return [other.id for other in case.tones.tones if other.component == component]


def past_load(case: Case, component: str) -> str:
    """Identifier of the tone at which the cage ``component`` passes the load."""
    if f"{component}_past_load" in _places(case, component):
        return f"{component}_past_load"
    bearing = next((one for one in case.drive.bearing if component == f"bearing.{one.name}.cage"), None)
    # A body that the load rests in has no tone of its own besides the ring's.
    loaded = {} if bearing is None else {bearing.outer: component, bearing.inner: f"{component}_past_inner"}
    return loaded.get("" if bearing is None else load_of(bearing), component)
