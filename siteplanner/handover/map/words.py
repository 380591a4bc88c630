"""Sentences that several parts of the map page say: panels, pop-ups and the still picture."""

from __future__ import annotations

LOSSES = (
    "“Order” is the number of trees still to be planted plus an allowance for losses; trees in the "
    "ground are in no order. Real losses vary with season, browsing and care."
)
CODES = (
    "Setbacks here are starting values. Local codes and the owner of the asset decide: where they "
    "ask for more, keep more clear."
)
SERVICES = (
    "The map shows only the buried services that it was given. Have all services located before "
    "you dig."
)


def sure(error_c: float | None) -> str:
    """Say how far the frost estimates may be off; ``error_c`` is their standard error, °C."""
    if error_c is None:
        return "These readings do not show how far the frost estimates may be off."
    return (
        f"Frost estimates have a standard error of about ±{error_c:.1f} °C: two times in three "
        "the true value lies within that range."
    )
