"""The caution that stands on everything that leaves the tool, and the assumption behind every survivor."""

from __future__ import annotations

__all__ = ["CAUTION", "UNRELATED"]

CAUTION = (
    "Not a rating and not a certificate: it speaks of these specimens and this way of loading them; makers' "
    "instructions, local codes and licensed practice decide what may be hung from what."
)
UNRELATED = "Assumes that held specimens were stopped for reasons unrelated to their own strength."
