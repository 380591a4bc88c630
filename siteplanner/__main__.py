"""``python -m siteplanner``: the same as the command ``siteplanner``."""

from siteplanner.cli.app import main

main()
