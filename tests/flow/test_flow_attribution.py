"""Who may own a part of a level, from the tones of a drive."""

from __future__ import annotations

import pytest

from tests.studies.fleet import FLEET, tones
from vibe.flow.diagnose.tone_requests import owners_of


@pytest.mark.parametrize("tag", FLEET)
def test_every_damage_has_one_owner_and_no_name_comes_twice(tag: str) -> None:
    owners = owners_of(FLEET[tag], tones(tag))
    impacts = [name for owner in owners for name in owner.impacts]
    assert sorted(impacts) == sorted(tone.id for tone in tones(tag).tones if tone.damage)
    assert len({owner.name for owner in owners}) == len(owners)
    assert {"shaft", "electrical", "stage1.mesh"} <= {owner.name for owner in owners}


def test_what_shares_an_order_is_one_owner() -> None:
    owners = {owner.name: owner for owner in owners_of(FLEET["ratio-29"], tones("ratio-29"))}
    assert owners["stage1.lobe or stage1.output_pin"].impacts == ("stage1.lobe", "stage1.output_pin")
    assert owners["stage1.mesh"].lines[0].sidebands == pytest.approx((1.0, 30 / 29, 2.0, 60 / 29))


def test_the_motors_pole_pass_lies_where_the_slip_puts_it() -> None:
    drive = FLEET["ratio-29"]
    field = next(owner for owner in owners_of(drive, tones("ratio-29")) if owner.name == "electrical")
    assert drive.motor is not None
    speed = 16.1
    slip = drive.motor.poles * (drive.motor.synchronous_hz - speed)
    places = sorted(lines.hz + lines.order * speed for lines in field.lines if lines.order)
    assert places == pytest.approx([2 * drive.motor.line_hz - slip, 2 * drive.motor.line_hz + slip])
