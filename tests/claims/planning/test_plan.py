import pytest

import lowtail as lt
from lowtail import InputError
from lowtail.claims.planning.core.plan import count, percent
from lowtail.claims.planning.core.trials import smallest_n


@pytest.mark.parametrize(
    ("claim", "kind", "words"),
    [
        (lt.plan.Claim(strength=22), "strength", "at least 22 kN on B-basis (90 % stronger, 95 % confidence)"),
        (lt.plan.Claim(within=0.05, basis="5 %, 95 %"), "precision", "the 5 % strength to within 5 %"),
        (
            lt.plan.Claim(keeps=0.9),
            "comparison",
            "the other arm keeps at least 90 % of the reference's typical strength (95 % confidence)",
        ),
        (
            lt.plan.Claim(same_within=0.9),
            "comparison",
            "the typical strengths of the two arms agree within a factor 0.9 (95 % confidence)",
        ),
    ],
)
def test_claims_speak(claim: lt.plan.Claim, kind: str, words: str) -> None:
    assert claim.kind == kind
    assert str(claim) == words


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({}, "exactly one of .* got none"),
        ({"strength": 22, "keeps": 0.9}, "got strength, keeps"),
        ({"strength": -1}, "`strength` must be a strength in kN"),
        ({"keeps": 90}, "0.9, not 90"),
        ({"strength": 22, "basis": "Z-basis"}, "`basis` must be one of"),
        ({"keeps": 0.9, "confidence": 95}, "0.95, not 95"),
    ],
)
def test_claims_refuse(arguments: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=words):
        lt.plan.Claim(**arguments)  # type: ignore[arg-type]


def test_smallest_n() -> None:
    assert smallest_n(lambda n: n / 100, 0.37, 2, 1000) == 37
    assert smallest_n(lambda n: n / 100, 0.01, 2, 1000) == 2
    assert smallest_n(lambda n: n / 100, 11, 2, 1000) is None
    assert smallest_n(lambda n: n / 100, 10, 2, 1000) == 1000


def test_words() -> None:
    assert count(1) == "1 specimen"
    assert count(2) == "2 specimens"
    assert percent(0.9999) == "over 99 %"
    assert percent(0.0001) == "under 1 %"
    assert percent(1.0) == "over 99 %"
