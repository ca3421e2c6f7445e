"""`python -m capturehook` is the command `capturehook`."""

from capturehook.cli.main import run

run()
