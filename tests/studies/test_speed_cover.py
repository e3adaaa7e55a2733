"""The study of what the stated uncertainty of the speed covers, shortened."""

from __future__ import annotations

import pytest

from tests.studies.speed_cover import Method, trials


@pytest.mark.parametrize(("method", "count"), [("pulses", 8), ("noted", 2), ("plate", 2)])
def test_the_truth_lies_within_the_stated_uncertainty(method: Method, count: int) -> None:
    """At most one of eight beyond two sigma, none beyond four: once in 16,000 by chance."""
    found = trials(count, (method,), first=7000)
    beyond = [one for one in found if one.sigmas > 2]
    assert len(beyond) <= 1
    assert max(one.sigmas for one in found) < 4
    wanted = "tachometer" if method == "pulses" else "nominal"
    assert {one.method for one in found} == {wanted}
    # Nor is it so wide that it says nothing.
    most = {"pulses": 5e-5, "noted": 7e-3, "plate": 2e-2}[method]
    assert max(one.sigma for one in found) < most
