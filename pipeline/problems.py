"""The one exception a person is meant to read."""


class Problem(Exception):
    """Something that could not be done. The message says what was found, what was expected, what to do."""
