"""injsound: hear whether a fuel injector skips."""

__version__ = "0.1.0"
