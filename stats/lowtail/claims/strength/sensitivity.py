"""Does the reading hang on the distribution chosen? The bound under each family, in one sentence."""

from __future__ import annotations

from dataclasses import dataclass

from lowtail._checks import door
from lowtail._record import Record
from lowtail.claims.basis import Basis, get_basis
from lowtail.claims.strength.low_bound import floor3, low_bound
from lowtail.errors import NoAnswerError
from lowtail.models.families import FAMILIES
from lowtail.records.sample import Sample

__all__ = ["Sensitivity", "sensitivity"]

_HANGS = 0.10  # the lowest bound more than a tenth below the highest: the choice decides the reading


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensitivity(Record):
    """The bound of one group under each family, in kN; ``hangs``: the lowest is a tenth below the highest."""

    group: str
    basis: str
    weibull: float
    normal: float
    lognormal: float
    hangs: bool
    n: int
    n_broken: int

    def __str__(self) -> str:
        who = f"{self.group}: " if self.group else ""
        values = sorted((self.weibull, self.normal, self.lognormal))
        said = (
            "depends on the choice; use the lowest unless one distribution is known"
            if self.hangs
            else "does not depend on it"
        )
        return (
            f"{who}the three distributions give {', '.join(floor3(v) for v in values)} kN ({self.basis}); the "
            f"reading {said}."
        )


@door
def sensitivity(sample: Sample, basis: str | Basis = "B-basis") -> Sensitivity:
    """State the bound under the Weibull, normal and lognormal distributions.

    No law is chosen: at n = 5 the data tell Weibull from lognormal with a chance of 5 to 8 %.

    Parameters
    ----------
    sample : Sample
    basis : str or Basis
        A tolerance basis.

    Raises
    ------
    NoAnswerError
        If the sample cannot carry the bound.

    Examples
    --------
    >>> print(sensitivity(Sample([24.1, 25.3, 22.8, 26.0, 23.9])))
    the three distributions give 19.1, 20.1, 20.4 kN (B-basis); the reading does not depend on it.
    """
    wanted = get_basis(basis)
    if sample.n_broken == 0:
        raise NoAnswerError(f"{sample.who}: none of {sample.n} broke, so that no distribution can be fitted.")
    lows = {name: low_bound(sample, wanted, family=name).low for name in FAMILIES}
    return Sensitivity(
        group=sample.label,
        basis=wanted.name,
        hangs=min(lows.values()) < (1 - _HANGS) * max(lows.values()),
        n=sample.n,
        n_broken=sample.n_broken,
        **lows,
    )
