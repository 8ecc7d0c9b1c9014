import pytest

import lowtail as lt
from lowtail import InputError


def test_speaks_and_counts() -> None:
    plan = lt.plan.zero_failure(0.90, 0.95)
    assert str(plan) == (
        "29 specimens must all hold the stated load to show, with 95 % confidence, that at least 90 % of the "
        "population is stronger than the stated load."
    )
    assert plan.curve["n"].max() >= 29
    assert plan.chance == pytest.approx(1 - 0.9**29)
    assert any("passes with a chance of 74 %" in note for note in plan.notes)  # 0.99**29


def test_too_small_a_limit() -> None:
    plan = lt.plan.zero_failure(0.999, 0.95, max_n=100)
    assert plan.n is None
    assert "More than 100" in str(plan)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"reliability": 1.0}, "`reliability` must lie between 0 and 1"),
        ({"reliability": 99}, "0.99, not 99"),
        ({"reliability": 0.9, "confidence": 0}, "`confidence` must lie"),
        ({"reliability": 0.9, "load_ratio": 1.2}, "needs `shape`"),
        ({"reliability": 0.9, "load_ratio": 0.8, "shape": 10}, "at least 1"),
        ({"reliability": 0.9, "load_ratio": 1.2, "shape": -1}, "`shape` must be a Weibull shape"),
        ({"reliability": 0.9, "failures": -1}, "whole number of at least 0"),
    ],
)
def test_absurd_requests(arguments: dict[str, float], words: str) -> None:
    with pytest.raises(InputError, match=words):
        lt.plan.zero_failure(**arguments)  # type: ignore[arg-type]
