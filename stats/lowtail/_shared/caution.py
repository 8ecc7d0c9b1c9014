"""The one caution that stands on everything that leaves the tool."""

from __future__ import annotations

__all__ = ["CAUTION"]

CAUTION = (
    "Not a rating and not a certificate: it speaks of these specimens and this way of loading them; makers' "
    "instructions, local codes and licensed practice decide what may be hung from what."
)
