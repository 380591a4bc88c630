"""The plugin: a processing provider whose algorithms call siteplanner."""

from __future__ import annotations

from typing import Any


def classFactory(iface: Any) -> Any:
    """Give the plugin to the GIS, which calls this function by its name."""
    from .provider import Plugin

    return Plugin(iface)
