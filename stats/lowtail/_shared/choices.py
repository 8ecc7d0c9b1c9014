"""Words an argument can be, where several wings ask for the same ones."""

from __future__ import annotations

from typing import Literal, get_args

__all__ = [
    "AXES",
    "MARKS",
    "Axis",
    "DecimalMark",
    "FamilyName",
    "FamilyOrAuto",
    "NamedTest",
    "PositiveFamily",
    "TestOrAuto",
]

Axis = Literal["plain", "log"]
AXES: tuple[str, ...] = get_args(Axis)
DecimalMark = Literal[".", ","]
MARKS: tuple[str, ...] = get_args(DecimalMark)
FamilyName = Literal["weibull", "normal", "lognormal"]
FamilyOrAuto = Literal["auto", "weibull", "normal", "lognormal"]
PositiveFamily = Literal["weibull", "lognormal"]
NamedTest = Literal[
    "half-and-half Behrens-Fisher",
    "Welch on log load",
    "Welch on load",
    "Behrens-Fisher on log load",
    "permutation Welch",
    "Mann-Whitney",
    "Brunner-Munzel",
    "Weibull likelihood ratio",
    "Weibull likelihood ratio, common shape",
    "Weibull confidence distributions",
    "permutation log-rank",
    "pooled t on log load",
    "permutation of means",
    "Mann-Whitney, normal table",
    "Brunner-Munzel, t table",
    "log-rank, normal table",
    "Weibull likelihood ratio, chi-square table",
]
TestOrAuto = Literal["auto", NamedTest]
