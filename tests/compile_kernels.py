"""Import every module of the package, which compiles its kernels and keeps them on disk."""

import importlib
import pkgutil

import siteplanner

if __name__ == "__main__":
    for module in pkgutil.walk_packages(siteplanner.__path__, "siteplanner."):
        if not module.name.endswith("__main__") and ".gis_plugin.source" not in module.name:
            importlib.import_module(module.name)
