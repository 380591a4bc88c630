"""The process beside the planning: it does what it is told, in order, and tells of errors."""

import json
import time
from pathlib import Path

import pytest

from siteplanner.handover.folder.background import BackgroundWriter


def test_calls_are_done_in_order(tmp_path):
    with BackgroundWriter(tmp_path / "plan") as writer:
        for number in range(20):
            writer.call(Path.write_text, tmp_path / "last.txt", str(number))
        writer.finish()
    assert (tmp_path / "last.txt").read_text() == "19"


def test_a_call_that_fails_is_told(tmp_path):
    with (
        BackgroundWriter(tmp_path / "plan") as writer,
        pytest.raises(RuntimeError, match="FileNotFoundError"),
    ):
        writer.call(Path.write_text, tmp_path / "no folder" / "x.txt", "text")
        writer.call(json.dumps, "more")
        writer.finish()


def test_leaving_early_stops_it(tmp_path):
    with (
        pytest.raises(KeyError),
        BackgroundWriter(tmp_path / "plan") as writer,
        writer.stopped_by_an_error(),
    ):
        writer.call(time.sleep, 60)
        writer.call(Path.write_text, tmp_path / "late.txt", "text")
        raise KeyError
    assert writer._process.returncode < 0  # stopped, not waited for
    assert not (tmp_path / "late.txt").exists()


def test_what_a_call_prints_is_no_answer(tmp_path):
    with BackgroundWriter(tmp_path / "plan") as writer:
        writer.call(print, "some words")
        writer.call(time.sleep, 0.3)
        writer.call(Path.write_text, tmp_path / "last.txt", "done")
        writer.finish()
        assert (tmp_path / "last.txt").read_text() == "done"


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_call_that_cannot_be_handed_over_is_told(tmp_path):
    with (
        BackgroundWriter(tmp_path / "plan") as writer,
        pytest.raises(RuntimeError, match="could not be"),
    ):
        writer.call(Path.write_text, tmp_path / "x.txt", lambda: None)
        writer.finish()
