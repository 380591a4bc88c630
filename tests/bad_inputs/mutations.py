"""Ways to spoil a good file: its bytes, or what it says in the terms of its own format.

Each is ``(data, draw) -> data``; the same ``draw`` (a seeded ``random.Random``) gives the same.
Bytes changed at random hardly get past a parser, so that tables, settings, JSON, XML and databases
are also spoilt as a person or another program would: a cell, a value, a tag, a column.
"""

from __future__ import annotations

import csv
import io
import json
import re
import sqlite3
from collections.abc import Callable
from random import Random
from typing import Any

Mutation = Callable[[bytes, Random], bytes]

WORDS = ("", " ", "nan", "inf", "-inf", "-1e999", "1e308", "-0", "0", "1", "2.5", "2,5", "1,250",
         "-", "–", "99999999999999999999", "1_000", "0x10", "true", "None", "1.2.3", "12 m", "°",
         "#", '"', "'", ",", ";", "\t", "\n", "é", "🌳", "a" * 3000, "=1+1", "../x", "{}", "[b]",
         "2029-02-30", "0000-00-00", "9999-12-31", "1899-12-31", "29/02/2028", "-7", "300",
         "Acacia melanoxylon", "A1", "A", "planted", "\u202e", "\x0b", "\ufeff")  # fmt: skip
_ODD = (None, True, False, 0, 1, -1, 2**31, 2**63, 10**400, 1e308, -1e308, 0.5, float("nan"))
VALUES: tuple[Any, ...] = (*_ODD, float("inf"), [], {}, [[]], [None], {"a": 1}, *WORDS)


def spoilt_bytes(data: bytes, draw: Random) -> bytes:
    """Replace, take out or put in a few bytes; sometimes cut the end off."""
    for _ in range(draw.randint(1, 4)):
        at = draw.randrange(len(data) + 1)
        put = draw.choice(WORDS).encode() if draw.random() < 0.5 else draw.randbytes(4)
        out = draw.choice((0, len(put), 1, 4, 40))
        data = data[:at] + put[: draw.choice((1, 4, 4000))] + data[at + out :]
    return data[: draw.randrange(len(data) + 1)] if draw.random() < 0.1 else data


def spoilt_cells(data: bytes, draw: Random) -> bytes:
    """Spoil a CSV: a cell, a heading, a row, a column, a separator or its encoding."""
    rows = list(csv.reader(io.StringIO(data.decode("utf-8"))))
    for _ in range(draw.randint(1, 3)):
        row = draw.choice(rows) if draw.random() < 0.8 else rows[0]
        at = draw.randrange(len(row) + 1)
        match draw.choice(("cell",) * 6 + ("row", "again", "column", "longer", "shorter", "other")):
            case "cell":
                row[at : at + 1] = [draw.choice(WORDS)]
            case "row":
                del rows[draw.randrange(1, max(2, len(rows))) :][:1]
            case "again":
                rows.append(list(row))
            case "column":
                for one in rows:
                    del one[at : at + 1]
            case "longer":
                row.append(draw.choice(WORDS))
            case "shorter":
                del row[at:]
            case "other":
                row[at : at + 1] = [draw.choice(draw.choice(rows) or [""])]
    out = io.StringIO()
    separator = draw.choice((",",) * 9 + (";", "\t", "|"))
    csv.writer(out, delimiter=separator, lineterminator=draw.choice(("\n", "\r\n"))).writerows(rows)
    encoding = draw.choice(("utf-8",) * 9 + ("utf-8-sig", "utf-16", "cp1252"))
    return out.getvalue().encode(encoding, "replace")


def spoilt_toml(data: bytes, draw: Random) -> bytes:
    """Spoil settings: a value, a name, a line."""
    lines = data.decode("utf-8").splitlines()
    for _ in range(draw.randint(1, 2)):
        at = draw.randrange(len(lines))
        name, equals, value = lines[at].partition(" = ")
        odd = draw.choice((json.dumps(draw.choice(WORDS)), "true", "-1", "0", "1e400", "nan", "[]",
                           "{}", "[1, 2]", "1979-05-27", "99999999999999999999", "'../..'",
                           '{ file = "soils.gpkg" }', '{ a = { b = [] } }'))  # fmt: skip
        match draw.choice(("value",) * 5 + ("inner",) * 2 + ("name", "gone", "again", "moved")):
            case "value" if equals:
                lines[at] = f"{name} = {odd}"
            case "inner" if equals:
                parts = re.findall(r'"[^"]*"|[-\d.]+', value)
                lines[at] = f"{name} = {value.replace(draw.choice(parts or [value]), odd, 1)}"
            case "name":
                lines[at] = lines[at][: draw.randrange(len(lines[at]) + 1)] + lines[at]
            case "gone":
                del lines[at]
            case "again":
                lines.insert(at, lines[at])
            case "moved":
                lines.insert(draw.randrange(len(lines)), lines.pop(at))
        lines = lines or [""]
    return "\n".join(lines).encode()


def spoilt_json(data: bytes, draw: Random) -> bytes:
    """Spoil JSON: any value, name or entry of it, however deep."""
    told = json.loads(data)
    for _ in range(draw.randint(1, 2)):
        inside, key = told, None
        while True:
            keys = list(inside) if isinstance(inside, dict) else list(range(len(inside)))
            if not keys:
                break
            key = draw.choice(keys)
            if not isinstance(inside[key], dict | list) or not inside[key] or draw.random() < 0.2:
                break
            inside = inside[key]
        if key is None or not inside:
            continue
        match draw.choice(("value",) * 5 + ("number",) * 2 + ("gone", "again", "name")):
            case "number" if isinstance(inside[key], int | float):
                inside[key] = min(inside[key], 1e300) * draw.choice((-1, 0, 1e-6, 10, 1e6, 1.1))
            case "gone":
                del inside[key]
            case "again" if isinstance(inside, list):
                inside.insert(0, inside[key])
            case "name" if isinstance(inside, dict):
                inside[draw.choice(WORDS)] = inside.pop(key)
            case _:
                inside[key] = draw.choice(VALUES)
    return json.dumps(told).encode("utf-8", "surrogatepass")


def spoilt_xml(data: bytes, draw: Random) -> bytes:
    """Spoil XML: a text, a number in it, a tag."""
    parts = re.split(r"(<[^>]*>)", data.decode("utf-8"))
    for _ in range(draw.randint(1, 3)):
        at = draw.randrange(len(parts))
        odd = draw.choice(WORDS)
        match draw.choice(("text",) * 3 + ("number",) * 3 + ("gone", "again", "swapped")):
            case "text":
                parts[at] = odd if not parts[at].startswith("<") else parts[at]
            case "number":
                numbers = re.findall(r"[-\d.]+", parts[at])
                if numbers:
                    parts[at] = parts[at].replace(draw.choice(numbers), odd, 1)
            case "gone":
                del parts[at]
            case "again":
                parts.insert(at, parts[at])
            case "swapped":
                parts.insert(draw.randrange(len(parts)), parts.pop(at))
        parts = parts or [""]
    return "".join(parts).encode("utf-8", "surrogatepass")


def spoilt_words(data: bytes, draw: Random) -> bytes:
    """Spoil text of words and numbers, such as a grid of heights: a word of it, or its order."""
    words = re.split(rb"(\s+)", data)
    for _ in range(draw.randint(1, 3)):
        at = draw.randrange(min(len(words), 30) if draw.random() < 0.7 else len(words))
        match draw.choice(("word",) * 4 + ("gone", "again")):
            case "word":
                words[at] = draw.choice(WORDS)[:40].encode()
            case "gone":
                del words[at]
            case "again":
                words.insert(at, words[at])
        words = words or [b""]
    return b"".join(words)


def spoilt_database(data: bytes, draw: Random) -> bytes:
    """Spoil a GeoPackage: values, shapes, columns and tables, those that describe it too."""
    base = sqlite3.connect(":memory:")
    base.deserialize(data)
    base.create_function("ST_IsEmpty", 1, lambda shape: 0)
    for name in ("ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):
        base.create_function(name, 1, lambda shape: 0.0)
    sql = "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE '%rtree%'"
    for _ in range(draw.randint(1, 2)):
        tables = [name for (name,) in base.execute(sql) if not name.startswith("sqlite")]
        own = [name for name in tables if not name.startswith("gpkg_")]
        table = draw.choice(own if own and draw.random() < 0.6 else tables)
        columns = [row[1] for row in base.execute(f'PRAGMA table_info("{table}")')]
        column = draw.choice(columns)
        do = draw.choice(("value",) * 6 + ("values", "gone", "renamed", "dropped", "table", "more"))
        value = draw.choice([v for v in VALUES if not isinstance(v, list | dict) and v != 10**400
                             and v != 2**63])  # fmt: skip
        try:
            if do in ("value", "values"):
                rows = [r for (r,) in base.execute(f'SELECT rowid FROM "{table}"')]
                chosen = rows if do == "values" else [draw.choice(rows)] if rows else []
                for row in chosen:
                    (was,) = base.execute(
                        f'SELECT "{column}" FROM "{table}" WHERE rowid = ?', (row,)
                    ).fetchone()
                    if isinstance(was, bytes) and draw.random() < 0.8:
                        value = spoilt_bytes(was, draw)
                    base.execute(
                        f'UPDATE "{table}" SET "{column}" = ? WHERE rowid = ?', (value, row)
                    )
            elif do == "gone":
                base.execute(f'DELETE FROM "{table}"')
            elif do == "renamed":
                base.execute(f'ALTER TABLE "{table}" RENAME COLUMN "{column}" TO "odd"')
            elif do == "dropped":
                base.execute(f'ALTER TABLE "{table}" DROP COLUMN "{column}"')
            elif do == "table":
                base.execute(f'DROP TABLE "{table}"')
            else:
                others = ", ".join(f'"{c}"' for c in columns[1:])
                base.execute(f'INSERT INTO "{table}" ({others}) SELECT {others} FROM "{table}"')
        except (sqlite3.Error, OverflowError):
            continue  # the database itself forbids it
    base.commit()
    return base.serialize()


def either(*ways: Mutation) -> Mutation:
    """One of several ways, each as often."""
    return lambda data, draw: draw.choice(ways)(data, draw)
