"""Sharing out what is short: whole things, in proportion, and no one gets more than was asked.

The rule. Those who ask in an earlier round are served before those of a later one. Where what is
left does not reach for a round, it goes out thing by thing, each to whom it brings nearest to
what the others have of their own asking: to the least (2 x got + 1) / asked, of equals to the one
whose name comes first. This is the divisor method with odd divisors 1, 3, 5 … (Webster,
Sainte-Laguë; from memory). It is taken rather than largest remainders because there a larger
stock can leave somebody with less (the Alabama paradox, from memory); here it cannot.
"""

from __future__ import annotations

import heapq
from collections.abc import Mapping, Sequence
from fractions import Fraction


def share(stock: int, rounds: Sequence[Mapping[str, int]]) -> dict[str, int]:
    """Share ``stock`` whole things among askers, each round before the next.

    A round maps names to what is asked, 0 or more; a name may ask in several rounds. Returns what
    each gets; the sum is the stock or all that was asked, whichever is less.
    """
    got = {name: 0 for asks in rounds for name in asks}
    for asks in rounds:
        for name, number in in_proportion(stock, asks).items():
            got[name] += number
            stock -= number
    return got


def in_proportion(stock: int, asks: Mapping[str, int]) -> dict[str, int]:
    """Share ``stock`` in one round, by the rule that stands at the top of this module."""
    total = sum(asks.values())
    if stock >= total:
        return dict(asks)
    # All that is handed out before the mark (2 x got + 1) / asked = 2 x stock / total: the
    # nearest whole number to each one's exact part. From there it is thing by thing, the few
    # that rounding left over or took too many.
    got = {name: (2 * stock * asked + total) // (2 * total) for name, asked in asks.items()}
    over = sum(got.values()) - stock
    if over > 0:
        last = [(-_turn(got[n] - 1, asks[n]), _Late(n)) for n in asks if got[n]]
        heapq.heapify(last)
        for _ in range(over):
            _, late = heapq.heappop(last)
            got[late.name] -= 1
            if got[late.name]:
                heapq.heappush(last, (-_turn(got[late.name] - 1, asks[late.name]), late))
    else:
        first = [(_turn(got[n], asks[n]), n) for n in asks if asks[n]]
        heapq.heapify(first)
        for _ in range(-over):
            _, name = heapq.heappop(first)
            got[name] += 1
            heapq.heappush(first, (_turn(got[name], asks[name]), name))
    return got


def _turn(got: int, asked: int) -> Fraction:
    """When the next thing is an asker's: the least of these numbers is next."""
    return Fraction(2 * got + 1, asked)


class _Late:
    """A name that sorts backwards, to take back from the one whose name comes last."""

    def __init__(self, name: str) -> None:
        self.name = name

    def __lt__(self, other: _Late) -> bool:
        return self.name > other.name
