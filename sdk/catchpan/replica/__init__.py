"""A branch's own verified copy of what was released: ``Replica`` and the rules it keeps.

Needs the extra ``replica``: ``pip install 'catchpan[replica]'``.
"""

from catchpan.replica.copy import Replica
from catchpan.replica.reports import HeldProfile, Report

__all__ = ["HeldProfile", "Replica", "Report"]
