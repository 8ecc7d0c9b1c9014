"""Broke or held at a drop: response to severity, and the next drop."""

from lowtail.claims.drops.drop_response import DropProportion, DropResponse, drop_proportion, drop_response
from lowtail.claims.drops.next_drop import NextDrop, next_drop
from lowtail.claims.drops.up_and_down import UpAndDown, up_and_down

__all__ = [
    "DropProportion",
    "DropResponse",
    "NextDrop",
    "UpAndDown",
    "drop_proportion",
    "drop_response",
    "next_drop",
    "up_and_down",
]


def __dir__() -> list[str]:
    return __all__
