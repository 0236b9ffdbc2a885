"""The command line: ``catchpan``. Data on standard output, words on standard error, one exit code for each kind of
failure.
"""

from catchpan.cli.main import main

__all__ = ["main"]
