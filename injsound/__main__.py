"""Run the command line as ``python -m injsound``."""

from injsound.cli import run

run()
