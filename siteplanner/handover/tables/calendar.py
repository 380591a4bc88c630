"""The nursery's year as a calendar file (iCalendar, RFC 5545)."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

from icalendar import Calendar, Event, vText

from siteplanner.base.text import uncommanded, utf8
from siteplanner.season.nursery.tasks import CAUTIONS, Task, tasks_of
from siteplanner.season.nursery.year import NurseryYear


def write_calendar(year: NurseryYear, site_name: str, path: Path) -> None:
    """Write every task of the nursery as an event, stamped with the day of planting."""
    first = year.first_day
    assert first is not None
    write_tasks(tasks_of(year.batches), site_name, f"Nursery: {site_name}", first, path)


def write_tasks(tasks: Iterable[Task], whose: str, title: str, stamp: date, path: Path) -> None:
    """Write tasks as events of whole days.

    There is no clock in the file: events are stamped with the day ``stamp``, and an event's
    identity comes from ``whose`` it is, the task and its days, so that the same plan gives the
    same bytes and reading it in twice gives no doubles.
    """
    book = Calendar()
    book.add("prodid", "-//siteplanner//nursery//EN")
    book.add("version", "2.0")
    book.add("x-wr-calname", vText(uncommanded(title)))
    stamped = datetime.combine(stamp, time(), UTC)
    for task in tasks:
        event = Event()
        key = "\n".join([whose, task.title, str(task.start), str(task.end)])
        digest = hashlib.sha256(utf8(key)).hexdigest()[:32]
        event.add("uid", f"{digest}@siteplanner.invalid")
        event.add("dtstamp", stamped)
        event.add("dtstart", task.start)
        event.add("dtend", task.end + timedelta(days=1))
        event.add("summary", uncommanded(f"{task.title} ({len(task.lines)})"))
        event.add("description", "\n".join([*map(uncommanded, task.lines), "", CAUTIONS[0]]))
        event.add("transp", "TRANSPARENT")
        book.add_component(event)
    path.write_bytes(book.to_ical())
