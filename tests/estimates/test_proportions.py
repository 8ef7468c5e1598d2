"""Wilson intervals, visits and chances against published and reference values."""

import json
from pathlib import Path

import numpy as np
import pytest
from statsmodels.stats.proportion import proportion_confint

from layers.errors import FrameError
from layers.estimates.proportions import wilson_interval

CHECKS = json.loads(
    (Path(__file__).parents[1] / "references" / "occupancy_richness.json").read_text(
        encoding="utf-8"
    )
)["checks"]


def checks(method: str) -> list:
    return [pytest.param(c, id=c["id"]) for c in CHECKS if c["method"] == method]


@pytest.mark.parametrize("check", checks("wilson_score_95"))
def test_wilson_interval_agrees_with_newcombe(check):
    """R. G. Newcombe, Statistics in Medicine 17 (1998) 857-872, table I, method 3."""
    low, high = wilson_interval(check["inputs"]["x"], check["inputs"]["n"])
    assert float(low) == pytest.approx(check["expected"]["low"], abs=check["tolerance"]["low"])
    assert float(high) == pytest.approx(check["expected"]["high"], abs=check["tolerance"]["high"])


def test_wilson_interval_agrees_with_statsmodels():
    """Every count out of 1 to 60, against statsmodels proportion_confint(method="wilson")."""
    found, looked = np.array([(x, n) for n in range(1, 61) for x in range(n + 1)]).T
    ours = wilson_interval(found, looked)
    theirs = proportion_confint(found, looked, method="wilson")
    np.testing.assert_allclose(ours, theirs, atol=1e-12)
    assert (ours[0] >= 0).all()
    assert (ours[1] <= 1).all()


def test_wilson_interval_is_missing_where_nobody_looked():
    assert np.isnan(wilson_interval([0], [0])).all()
    with pytest.raises(FrameError, match="found ≤ looked"):
        wilson_interval(3, 2)
