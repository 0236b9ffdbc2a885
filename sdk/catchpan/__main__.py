"""``python -m catchpan``."""

from catchpan.cli import main

main()
