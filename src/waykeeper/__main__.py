"""`python -m waykeeper` is the command."""

from waykeeper.cli.main import run

run()
