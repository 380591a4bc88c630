"""The fake server, new for each test."""

import pytest
from gather.fake_services import Clock, Fake, door_of, services_of, without_a_line

from siteplanner.gather.net import rasters, virtual


@pytest.fixture
def fake():
    with Fake() as server:
        yield server


@pytest.fixture
def services(fake):
    return services_of(fake)


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def door(services, clock):
    return door_of(services, None, clock)


@pytest.fixture
def at_once(fake, monkeypatch):
    """Rasters of the fake server are opened without byte ranges, which is quicker."""
    monkeypatch.setattr(rasters, "remote_raster", without_a_line(fake))
    monkeypatch.setattr(virtual, "remote_raster", without_a_line(fake))
