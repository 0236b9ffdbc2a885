"""A branch's own verified copy of what was released: ``Replica`` and the rules it keeps.

Needs the extra ``replica``: ``pip install 'catchpan[replica]'``.
"""

from catchpan.replica.copy import Replica, Report

__all__ = ["Replica", "Report"]
