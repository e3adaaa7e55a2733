"""What ``configs/diagnosis.toml`` may say."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from vibe.core.strict import StrictModel

Share = Annotated[float, Field(gt=0, le=1)]


class CombSettings(StrictModel):
    """How large a comb in the envelope must be, besides being no chance."""

    faintest_hit_over_floor_db: float
    faintest_bearing_hit_over_floor_db: float
    long_comb_from: Annotated[int, Field(ge=1)]
    hit_line_over_floor_db: float
    clear_hit_over_floor_db: float
    outshone_by_db: Annotated[float, Field(ge=0)]
    races_alike_within_db: Annotated[float, Field(ge=0)]
    races_alike_below_db: float
    inferred_stricter_by: Annotated[float, Field(ge=1)]
    far_slip: Annotated[float, Field(gt=0, lt=0.2)]
    faintest_sure_bearing_hit_over_floor_db: float = -9.0
    fainter_surer_by_per_db: Annotated[float, Field(ge=1)] = 10.0
    source: str


class ElementSettings(StrictModel):
    """Which element of a damaged bearing it is: log odds, and how they grow with the depth of combs."""

    present: Share
    named_from: Share
    slope_per_db: Annotated[float, Field(gt=0)]
    element: float
    carried: Annotated[float, Field(ge=0)]
    both_races: float
    clear_per_db: Annotated[float, Field(ge=0)]
    cage: float
    untold: float
    cage_itself: Annotated[float, Field(lt=0)]
    even_cage: Annotated[float, Field(ge=0)]
    source: str


class FlutingSettings(StrictModel):
    """When the comb of a race is that of a washboard rather than that of a spall."""

    second_below_first_db: Annotated[float, Field(gt=0)]
    higher_below_first_db: Annotated[float, Field(gt=0)]
    first_from_db: Annotated[float, Field(gt=0)]
    kurtosis_below: Annotated[float, Field(gt=1)]
    band_from_repeats: Annotated[float, Field(ge=3)]
    source: str


class LineSettings(StrictModel):
    """How large lines of the velocity spectrum must be."""

    over_floor_from_db: float
    unbalance_share_from: Share
    twice_over_once_from: Annotated[float, Field(gt=0)]
    misalignment_share_from: Share = 0.3
    looseness_lines_from: Annotated[int, Field(ge=1, le=11)]
    looseness_harmonic_share: Share
    looseness_series_share: Share
    electrical_share_from: Share
    level_from_zone: Literal["A/B", "B/C", "C/D"]
    mesh_share_from: Share
    mesh_from_zone: Literal["A/B", "B/C", "C/D"]
    mesh_second_share: Share
    sound_share_of_zone: Share
    sound_log_spread: Annotated[float, Field(gt=0)]
    source: str


class ImpactSettings(StrictModel):
    """How impulsive a capture must be for impacts that nothing explains to be a finding."""

    lasting_kurtosis_from: Annotated[float, Field(gt=3)] = 10.0
    crest_from: Annotated[float, Field(gt=3)] = 10.0
    source: str = "common practice"


class PastSettings(StrictModel):
    """Which earlier captures of a drive are alike, and what a change against them must be."""

    fewest: Annotated[int, Field(ge=3)] = 4
    most: Annotated[int, Field(ge=4)] = 20
    speed_within: Annotated[float, Field(gt=0, lt=0.2)] = 0.05
    load_within_percent: Annotated[float, Field(gt=0, le=100)] = 15.0
    turns_within: Annotated[float, Field(gt=0, lt=1)] = 0.2
    plausible: Share = 0.1
    fallen_db: Annotated[float, Field(gt=0)] = 15.0
    source: str = "common practice"


class DiagnosisSettings(StrictModel):
    """All settings of the room."""

    impacts: ImpactSettings = ImpactSettings()
    past: PastSettings = PastSettings()

    comb: CombSettings
    element: ElementSettings
    fluting: FlutingSettings
    lines: LineSettings
