"""The quick grid of normal locations against draws of the exact confidence distributions, where it once ended early."""

from __future__ import annotations

import numpy as np
import pytest

from lowtail import NORMAL, NoAnswerError, Sample, confidence_distribution
from lowtail.models.confidence import location_grid

SIZE = 100_000


@pytest.mark.parametrize(("n", "stop"), [(8, 0.0), (12, -0.5), (30, 0.84), (100, 0.84), (100, 0.0)])
def test_stopped_series_against_the_exact_distribution(n: int, stop: float) -> None:
    rng = np.random.default_rng([n, 7])
    arms, draws = [], []
    for shift in (0.0, 0.3):
        y = rng.standard_normal(n) + shift
        load, broke = np.minimum(y, stop), y <= stop
        arms.append((load[None], broke[None]))
        exact = confidence_distribution(Sample(load + 20.0, broke), NORMAL)
        location, _spread = exact.draws(SIZE, rng)
        draws.append(location - 20.0)
    chance = float((draws[1] - draws[0] > 0.1).mean())
    got = float(location_grid.location_above(*arms, 0.1)[0])
    assert got == pytest.approx(chance, abs=0.003 + 3 * np.sqrt(chance * (1 - chance) / SIZE))


def test_a_grid_that_ends_too_early_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    y = np.array([[19.0, 20.0, 21.0, 20.3, 20.9]])
    monkeypatch.setattr(location_grid, "_TAIL", 0.2)
    with pytest.raises(NoAnswerError, match="Location of simulated series"):
        location_grid.location_above((y, None), (y, None), 0.0)
