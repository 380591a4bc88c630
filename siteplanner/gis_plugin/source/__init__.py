"""The plugin: a processing provider whose algorithms call siteplanner."""


def classFactory(iface):  # noqa: N802, D103 (the GIS calls it so)
    from .provider import Plugin

    return Plugin(iface)
