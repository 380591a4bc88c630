"""``python -m siteplanner``: the same as the command ``siteplanner``."""

from siteplanner.cli import main

main()
