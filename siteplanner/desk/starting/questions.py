"""What a new site is asked, one question at a time in plain words, and what the answers set.

Every question may be left at "I don't know", which sets nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Question:
    """One question: ``answers`` are the value that an answer sets, and its words.

    Without answers a whole number is asked for. ``sets`` is ``soil`` and a column, or a table and a
    key of the site file.
    """

    id: str
    words: str
    sets: tuple[str, str]
    answers: tuple[tuple[str, str], ...] = ()


#: Texture by feel: lengths of ribbon from memory; laboratory or a soil survey is surer.
#: Shares of roles, and drainage by how long water stands: from memory, a start to be corrected.
QUESTIONS = (
    Question(
        "ribbon",
        "Wet a handful of subsoil and squeeze it out between thumb and finger. How long a ribbon "
        "does it make?",
        ("soil", "texture"),
        (
            ("sand", "none: it falls apart, and makes no ball"),
            ("loamy sand", "none, but it makes a ball"),
            ("loam", "shorter than a knuckle (2.5 cm)"),
            ("clay loam", "one to two knuckles (2.5 to 5 cm)"),
            ("clay", "longer than two knuckles (5 cm)"),
        ),
    ),
    Question(
        "water",
        "After the wettest weeks of the year, how long does water stand on most of the ground?",
        ("soil", "drainage"),
        (
            ("well drained", "it is gone within a day"),
            ("somewhat poorly drained", "for some days after rain"),
            ("poorly drained", "for weeks"),
        ),
    ),
    Question(
        "who",
        "Who plants?",
        ("work", "crew"),
        (("volunteers", "volunteers, family, neighbours"), ("contractors", "people paid to plant")),
    ),
    Question("people", "How many people plant together on a day?", ("work", "people")),
    Question("tubes", "How many plants can you raise or buy in a year?", ("years", "tubes")),
    Question(
        "what_for",
        "What is the planting for, most of all?",
        ("mix", "roles"),
        (
            ("{ habitat = 0.4 }", "habitat"),
            ("{ shelter = 0.4 }", "shelter for stock or crops"),
            ('{ "long-term timber" = 0.4 }', "timber"),
            ("{ riparian = 0.4 }", "banks of a creek or river"),
            ("{ food = 0.3 }", "food"),
        ),
    ),
)


def understood(given: Mapping[str, object]) -> tuple[dict[str, str], dict[str, dict[str, str]]]:
    """Give the soil's values, and settings by table, that answers set.

    What is no answer of a question is taken as "I don't know".

    >>> understood({"ribbon": "clay", "people": "6", "who": "nobody"})
    ({'texture': 'clay'}, {'work': {'people': '6'}})
    """
    soil: dict[str, str] = {}
    settings: dict[str, dict[str, str]] = {}
    for question in QUESTIONS:
        answer = str(given.get(question.id) or "")
        known = {value for value, _ in question.answers}
        if answer not in known and (known or not (answer.isdecimal() and answer.isascii())):
            continue
        table, key = question.sets
        if table == "soil":
            soil[key] = answer
        else:
            settings.setdefault(table, {})[key] = answer
    return soil, settings
