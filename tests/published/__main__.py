"""Write the table of published values into DEVELOPERS.md: ``python -m tests.published``."""

from .table import PAGE, written

PAGE.write_text(written(PAGE.read_text()))
