"""Where plants on hand may go, in words: half a page for the one who has them."""

from __future__ import annotations

from collections.abc import Sequence

from siteplanner.after.place import Offer, Placed
from siteplanner.base.text import visible
from siteplanner.suitability.classes import CLASSES

_CAUTIONS = (
    "This is an estimate from maps: walk the rows first, and keep off what is not firm or is "
    "too steep.",
    "Have buried services located before any digging; near power lines the network operator "
    "decides.",
)
#: So many species are named in a line; the rest are summed up.
_NAMED = 4


def words_of(placed: Placed) -> list[str]:
    """Write the answer, one line a sentence."""
    total = sum(placed.stock.values())
    if not placed.offers:
        return [
            f"No ready block takes these {_plants(total)} in whole rows. The plan is unchanged.",
            *placed.why,
        ]
    lines = [f"Where to put {_plants(total)}, best block first. The plan is unchanged."]
    for number, offer in enumerate(placed.offers, start=1):
        lines += ["", *_of_block(number, offer, placed.about.get(offer.block, ""))]
    lines.append("")
    if placed.left:
        lines.append(
            f"Left over: {_list(placed.left)}, for which no more whole rows were found in three "
            "blocks at most; keep them for infill."
        )
    lines += placed.why
    lines += [f"{name}: {text}" for name, text in placed.cautions.items()]
    return [visible(line) for line in (*lines, *_CAUTIONS)]


def _of_block(number: int, offer: Offer, about: str) -> list[str]:
    lines = [
        f"{number}. Block {offer.block}, {_rows(offer.rows)}: {_plants(offer.number)}",
        f"   {about}",
    ]
    for name, plants in sorted(offer.plants.items(), key=lambda item: (-item[1], item[0])):
        mean = offer.mean[name]
        lines.append(
            f"   {plants} {name}: {_class(mean)}, suitability {mean:.0f} of 100 "
            f"({offer.least[name]:.0f} at the poorest place)"
        )
    if offer.planned != offer.plants:
        lines.append(f"   The plan has there: {_list(offer.planned)}")
    if len(offer.plants) == 1 < len(offer.planned):
        lines.append("   Rows of one species may fail together: mix others in where you can.")
    return lines


def _plants(number: int) -> str:
    return "1 plant" if number == 1 else f"{number:,} plants"


def _rows(rows: Sequence[int]) -> str:
    return f"row {rows[0]}" if len(rows) == 1 else f"rows {rows[0]} to {rows[-1]}"


def _list(plants: dict[str, int]) -> str:
    ordered = sorted(plants.items(), key=lambda item: (-item[1], item[0]))
    words = [f"{number:,} {name}" for name, number in ordered[:_NAMED]]
    rest = sum(number for _, number in ordered[_NAMED:])
    return ", ".join([*words, *([f"{rest:,} others"] if rest else [])])


def _class(score: float) -> str:
    return next(words for _, least, words in CLASSES if score >= least)
