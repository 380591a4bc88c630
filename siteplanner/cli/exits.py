"""With what the commands end."""

DONE, BAD_INPUT, USAGE, OUR_ERROR, SOME_FAILED = 0, 1, 2, 3, 4
