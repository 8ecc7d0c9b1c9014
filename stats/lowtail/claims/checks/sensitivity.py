"""Does the reading depend on the distribution chosen? The bound under each family, in one sentence."""

from __future__ import annotations

from dataclasses import dataclass

from lowtail._shared.checks import door
from lowtail._shared.record import Record
from lowtail._shared.sample import Sample, SampleLike, as_sample
from lowtail.claims.basis import Basis, get_basis
from lowtail.claims.checks.goodness_of_fit import goodness_of_fit
from lowtail.claims.strength.lower_bound import floor3, lower_bound
from lowtail.errors import NoAnswerError
from lowtail.models.distributions.families import FAMILIES

__all__ = ["Sensitivity", "sensitivity"]

_HANGS = 0.10  # the lowest bound more than a tenth below the highest: the choice decides the reading


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensitivity(Record):
    """The bound of one group under each family, in kN.

    ``depends_on_distribution``: the lowest is a tenth below the highest. ``contradicted``: families that the breaks
    contradict at 5 % (`goodness_of_fit`), asked where the reading depends on the choice and 4 specimens with 3
    different breaks are there.
    """

    group: str
    basis: str
    weibull: float
    normal: float
    lognormal: float
    depends_on_distribution: bool
    contradicted: tuple[str, ...]
    n: int
    n_broken: int

    def __str__(self) -> str:
        who = f"{self.group}: " if self.group else ""
        values = sorted((self.weibull, self.normal, self.lognormal))
        said = f"depends on the choice; {self._advice()}" if self.depends_on_distribution else "does not depend on it"
        return (
            f"{who}the three distributions give {', '.join(floor3(v) for v in values)} kN ({self.basis}); the "
            f"reading {said}."
        )

    def _advice(self) -> str:
        lows = {name: getattr(self, name) for name in FAMILIES}
        left = {name: low for name, low in lows.items() if name not in self.contradicted}
        if not left:
            return "the breaks contradict all three, and none of these bounds stands: look for several kinds of failure"
        name = min(left, key=left.__getitem__)
        if self.contradicted:
            text = f"the breaks contradict {' and '.join(self.contradicted)}; "
            text += f"only {name} is not contradicted" if len(left) == 1 else f"of the others {name} is the lowest"
            text += f" and gives {floor3(left[name])} kN, which so few breaks do not prove right"
        else:
            text = "use the lowest unless one distribution is known"
        if left[name] == 0:
            text += "; a bound of 0 backs no load"
        return text


@door
def sensitivity(sample: SampleLike, basis: str | Basis = "B-basis") -> Sensitivity:
    """State the bound under the Weibull, normal and lognormal distributions.

    No distribution is chosen: at n = 5 the data tell Weibull from lognormal with a chance of 5 to 8 %.

    Parameters
    ----------
    sample : Sample or array_like
    basis : str or Basis
        A tolerance basis.

    Raises
    ------
    NoAnswerError
        If the sample cannot carry the bound.

    See Also
    --------
    governing : the lowest bound governs.
    checks.goodness_of_fit : is a distribution contradicted.
    checks.influence : how much the bound depends on each specimen.

    Examples
    --------
    >>> print(sensitivity(Sample([24.1, 25.3, 22.8, 26.0, 23.9])))
    the three distributions give 19.1, 20.1, 20.4 kN (B-basis); the reading does not depend on it.
    """
    sample = as_sample(sample)
    wanted = get_basis(basis)
    if sample.n_broken == 0:
        raise NoAnswerError(f"{sample.who}: none of {sample.n} broke, so that no distribution can be fitted.")
    lows = {name: lower_bound(sample, wanted, family=name).low for name in FAMILIES}
    depends_on_distribution = min(lows.values()) < (1 - _HANGS) * max(lows.values())
    return Sensitivity(
        group=sample.label,
        basis=wanted.name,
        depends_on_distribution=depends_on_distribution,
        contradicted=_contradicted(sample) if depends_on_distribution else (),
        n=sample.n,
        n_broken=sample.n_broken,
        **lows,
    )


def _contradicted(sample: Sample) -> tuple[str, ...]:
    try:
        return goodness_of_fit(sample, families=list(FAMILIES)).contradicted
    except NoAnswerError:  # too few to test a distribution: none is contradicted
        return ()
