"""What to ask before a number is quoted."""

from lowtail.claims.checks.equal_scale import EqualScale, SharedGain, equal_scale, shared_gain
from lowtail.claims.checks.failure_modes import FailureModes, failure_modes
from lowtail.claims.checks.goodness_of_fit import GoodnessOfFit, goodness_of_fit
from lowtail.claims.checks.outliers import Outliers, influence, outliers
from lowtail.claims.checks.pooling import Pooling, pooling
from lowtail.claims.checks.sensitivity import Sensitivity, sensitivity
from lowtail.claims.strength.groups import CanAnswer, can_answer
from lowtail.claims.strength.unseen import UnseenMinority, unseen_minority
from lowtail.logs.breaks.slips import slip_table
from lowtail.models.distributions.empirical import KaplanMeier, PlottingPositions, kaplan_meier, plotting_positions
from lowtail.models.distributions.second_opinion import SecondOpinion, second_opinion
from lowtail.models.distributions.threshold import ThresholdFit, fit_threshold

__all__ = [
    "CanAnswer",
    "EqualScale",
    "FailureModes",
    "GoodnessOfFit",
    "KaplanMeier",
    "Outliers",
    "PlottingPositions",
    "Pooling",
    "SecondOpinion",
    "Sensitivity",
    "SharedGain",
    "ThresholdFit",
    "UnseenMinority",
    "can_answer",
    "equal_scale",
    "failure_modes",
    "fit_threshold",
    "goodness_of_fit",
    "influence",
    "kaplan_meier",
    "outliers",
    "plotting_positions",
    "pooling",
    "second_opinion",
    "sensitivity",
    "shared_gain",
    "slip_table",
    "unseen_minority",
]


def __dir__() -> list[str]:
    return __all__
