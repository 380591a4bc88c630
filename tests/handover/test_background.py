"""The process beside the planning: it does what it is told, in order, and tells of faults."""

import json
import time
from pathlib import Path

import pytest

from siteplanner.handover.folder.background import Beside


def test_calls_are_done_in_order(tmp_path):
    with Beside(tmp_path / "plan") as beside:
        for number in range(20):
            beside.call(Path.write_text, tmp_path / "last.txt", str(number))
        beside.finish()
    assert (tmp_path / "last.txt").read_text() == "19"


def test_a_call_that_fails_is_told(tmp_path):
    with (
        Beside(tmp_path / "plan") as beside,
        pytest.raises(RuntimeError, match="FileNotFoundError"),
    ):
        beside.call(Path.write_text, tmp_path / "no folder" / "x.txt", "text")
        beside.call(json.dumps, "more")
        beside.finish()


def test_leaving_early_stops_it(tmp_path):
    with pytest.raises(KeyError), Beside(tmp_path / "plan") as beside, beside.stopped_by_a_fault():
        beside.call(time.sleep, 60)
        beside.call(Path.write_text, tmp_path / "late.txt", "text")
        raise KeyError
    assert beside._process.returncode < 0  # stopped, not waited for
    assert not (tmp_path / "late.txt").exists()


def test_what_a_call_prints_is_no_answer(tmp_path):
    with Beside(tmp_path / "plan") as beside:
        beside.call(print, "some words")
        beside.call(time.sleep, 0.3)
        beside.call(Path.write_text, tmp_path / "last.txt", "done")
        beside.finish()
        assert (tmp_path / "last.txt").read_text() == "done"


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_call_that_cannot_be_handed_over_is_told(tmp_path):
    with Beside(tmp_path / "plan") as beside, pytest.raises(RuntimeError, match="could not be"):
        beside.call(Path.write_text, tmp_path / "x.txt", lambda: None)
        beside.finish()
