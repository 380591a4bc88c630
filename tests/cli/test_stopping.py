"""Signals to stop are the command's own only while it runs."""

import signal
import sys

import pytest

from siteplanner.base.errors import input_error
from siteplanner.cli import app as cli

STOPS = (signal.SIGINT, signal.SIGTERM)


def raising(error):
    def app():
        raise error

    return app


def told_to_stop():
    signal.raise_signal(signal.SIGTERM)


ENDS = {
    "returns": (lambda: None, None),
    "bad input": (raising(input_error("a file", "", "it is wrong", "correct it")), 1),
    "no right": (raising(PermissionError(13, "no", "a file")), 1),
    "our error": (raising(ValueError("ours")), 3),
    "left": (raising(SystemExit(0)), 0),
    "stopped": (told_to_stop, 3),
}


@pytest.fixture
def own_handlers():
    """Handlers of the process that calls the command, as a program that embeds it has them."""
    before = {number: signal.getsignal(number) for number in STOPS}
    ours = {number: lambda *_: None for number in STOPS}
    for number, handler in ours.items():
        signal.signal(number, handler)
    yield ours
    for number, handler in before.items():
        signal.signal(number, handler)


@pytest.mark.parametrize("end", ENDS)
def test_however_the_command_ends_signals_mean_what_they_did_before(
    end, own_handlers, monkeypatch, capsys
):
    runs, code = ENDS[end]
    seen = []

    def app():
        seen.extend(signal.getsignal(number) for number in STOPS)
        runs()

    monkeypatch.setattr(cli, "app", app)
    monkeypatch.setattr(sys, "argv", ["siteplanner", "check"])
    if code is None:
        cli.main()
    else:
        with pytest.raises(SystemExit) as left:
            cli.main()
        assert left.value.code == code
    assert not set(seen) & set(own_handlers.values())  # while it ran it listened itself
    assert {number: signal.getsignal(number) for number in STOPS} == own_handlers
