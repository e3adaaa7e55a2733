"""The whole study of spoilt recordings, against the figures that it had."""

from __future__ import annotations

import pytest

from tests.studies.spoilt import GOODS, checked


@pytest.mark.slow
def test_harmful_recordings_are_noticed_and_good_ones_are_not() -> None:
    rows = list(checked(range(0, GOODS, 4)))
    harmful = [row.noticed for row in rows if row.truth == "spoilt"]
    good = [row.noticed for row in rows if row.truth == "good"]
    assert sum(harmful) >= 0.7 * len(harmful)
    assert sum(good) <= 0.03 * len(good)
