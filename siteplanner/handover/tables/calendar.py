"""The nursery's year as a calendar file (iCalendar, RFC 5545)."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any

from icalendar import Calendar, Event, vDDDTypes, vText

from siteplanner.base.text import uncommanded, utf8
from siteplanner.season.nursery.tasks import CAUTIONS, Task, tasks_of
from siteplanner.season.nursery.year import NurseryYear


def write_calendar(year: NurseryYear, site_name: str, path: Path) -> None:
    """Write every task of the nursery as an event, stamped with the day of planting."""
    first = year.first_day
    assert first is not None
    write_tasks(tasks_of(year.batches, year.rules), site_name, f"Nursery: {site_name}", first, path)


def write_tasks(tasks: Iterable[Task], whose: str, title: str, stamp: date, path: Path) -> None:
    """Write tasks as events of whole days.

    There is no clock in the file: events are stamped with the day ``stamp``, so that the same
    plan gives the same bytes. An event's identity comes from ``whose`` it is, the task and what
    it is done to, not from its days: read in again, it moves and gives no double. What is done
    to the same thing several times is numbered in the order of days.
    """
    book = Calendar()
    book.add("prodid", "-//siteplanner//nursery//EN")
    book.add("version", "2.0")
    book.add("x-wr-calname", vText(uncommanded(title)))
    stamped = datetime.combine(stamp, time(), UTC)
    times: Counter[str] = Counter()
    for task in tasks:
        event = Event()
        key = "\n".join([whose, task.title, *sorted(task.batches)])
        times[key] += 1
        digest = hashlib.sha256(utf8(f"{key}\n{times[key]}")).hexdigest()[:32]
        event.add("uid", f"{digest}@siteplanner.invalid")
        event.add("dtstamp", stamped)
        event.add("sequence", 0)
        event.add("dtstart", task.start)
        event.add("dtend", task.end + timedelta(days=1))
        event.add("summary", uncommanded(_summary(task)))
        event.add("description", "\n".join([*map(uncommanded, task.lines), "", CAUTIONS[0]]))
        event.add("transp", "TRANSPARENT")
        book.add_component(event)
    path.write_bytes(book.to_ical())


def _summary(task: Task) -> str:
    """What is done, to which species, or to how many things where these are no species."""
    first, *others = task.species or (str(len(task.lines)),)
    return f"{task.title} ({first}{f' and {len(others)} more' if others else ''})"


def carry_on(path: Path, before: Path) -> None:
    """Number and stamp the events of a new calendar as the later state of the one ``before``.

    An event that has changed gets the next SEQUENCE and a later DTSTAMP (RFC 5545, 3.8.7.4 and
    3.8.7.2); one that has not keeps both, so that the same plan over the same folder gives the
    same bytes. Where either is not there, or what was before is no calendar, nothing is done.
    """
    if not path.is_file():
        return
    earlier = _events(before)
    if not earlier:
        return
    book = Calendar.from_ical(path.read_bytes())
    events: list[Any] = book.walk("VEVENT")
    for event in events:
        was = earlier.get(str(event["uid"]))
        if was is None:
            continue
        sequence, stamped = was["sequence"], was["dtstamp"].dt
        if _content(was) != _content(event):
            sequence, stamped = sequence + 1, stamped + timedelta(seconds=1)
            stamped = max(stamped, event["dtstamp"].dt)
        for name, value in (("sequence", sequence), ("dtstamp", stamped)):
            del event[name]
            event.add(name, value)
    path.write_bytes(book.to_ical())


def _events(path: Path) -> dict[str, Any]:
    """Events of a calendar that we wrote, by UID; those that somebody broke are left out."""
    try:
        if path.stat().st_size > _LARGEST:
            return {}
        book = Calendar.from_ical(path.read_bytes())
    except (OSError, ValueError):
        return {}
    # The library has a type for each value; a property that stands twice is a list.
    events: list[Any] = book.walk("VEVENT")
    return {
        str(event["uid"]): event
        for event in events
        if isinstance(event.get("uid"), str)
        and isinstance(event.get("sequence"), int)
        and isinstance(event.get("dtstamp"), vDDDTypes)
        and isinstance(event["dtstamp"].dt, datetime)
        and event["dtstamp"].dt.tzinfo is not None
        and 0 <= event["sequence"] < _MOST_CHANGES
    }


def _content(event: Any) -> list[str]:
    """What an event says, line by line, apart from its number and stamp."""
    said = event.copy()
    for name in ("sequence", "dtstamp"):
        said.pop(name, None)
    return list(said.content_lines())  # unfolded, which takes most of the time of writing them


#: A calendar that is larger than this many bytes is none of ours.
_LARGEST = 2**25
_MOST_CHANGES = 2**31 - 1
