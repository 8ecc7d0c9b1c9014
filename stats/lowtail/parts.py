"""Assemblies: which part fails first, and how strong the whole is."""

from lowtail.claims.parts.common_cause import common_cause
from lowtail.claims.parts.fuse import FuseWindow, fuse_window
from lowtail.claims.parts.weak_link import WeakLink, weak_link

__all__ = ["FuseWindow", "WeakLink", "common_cause", "fuse_window", "weak_link"]


def __dir__() -> list[str]:
    return __all__
